"""Links between the pages of start-up."""

from __future__ import annotations

from typing import Final

from dash import html

from plantview.web.attributes import attributes

PAGES: Final = {
    "/startup": "Now",
    "/startup/checkout": "Checkout sheet",
    "/startup/captures": "Captures",
    "/startup/report": "Report",
}


def startup_links() -> html.Nav:
    """Return them as a row; the script marks the one that is shown."""
    links = [html.A(name, href=path, **attributes(data_page=path)) for path, name in PAGES.items()]
    return html.Nav(links, className="alarm-pages startup-pages", **attributes(aria_label="Start-up pages"))
