"""The links between the alarm pages."""

from __future__ import annotations

from typing import Final

from dash import html

from plantview.web.attributes import attributes

ALARM_PAGES: Final = {"/alarms": "List", "/alarms/journal": "Journal", "/alarms/figures": "Figures"}


def alarm_links() -> html.Nav:
    """Return them; the script marks the present one."""
    links = [html.A(name, href=path, **attributes(data_page=path)) for path, name in ALARM_PAGES.items()]
    return html.Nav(links, className="alarm-pages", **attributes(aria_label="Alarm pages"))
