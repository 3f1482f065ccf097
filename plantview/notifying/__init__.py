"""Tells people about alarms who are not at the page: by e-mail and to a web address."""

from __future__ import annotations

from plantview.notifying.service import Notifying
from plantview.notifying.settings import FILE, Settings, load_settings

__all__ = ["FILE", "Notifying", "Settings", "load_settings"]
