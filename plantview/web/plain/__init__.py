"""Pages that the server writes itself, without Dash: the wall display and the phone page."""

from __future__ import annotations

from plantview.web.plain.phone import PhonePage
from plantview.web.plain.wall import WallPage

__all__ = ["PhonePage", "WallPage"]
