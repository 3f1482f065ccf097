"""Pages that the server writes itself, without Dash: the wall display, the phone page, the help."""

from __future__ import annotations

from plantview.web.plain.help import HelpPage
from plantview.web.plain.phone import PhonePage
from plantview.web.plain.wall import WallPage

__all__ = ["HelpPage", "PhonePage", "WallPage"]
