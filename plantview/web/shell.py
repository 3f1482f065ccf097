"""What stands around every page: top bar, banner, detail panel; and the page that Dash sends first."""

from __future__ import annotations

from html import escape
from typing import Any, Final

from dash import html

from plantview.model.plant import Plant
from plantview.web.attributes import attributes
from plantview.web.lean import Location
from plantview.web.routes import HELP, PAGES

INDEX: Final = """<!DOCTYPE html>
<html lang="en" data-zone="{zone}" data-units="{units}" data-machines="{machines}">
<head>{%metas%}<title>{%title%}</title><link rel="icon" href="/assets/icon.svg">{%css%}</head>
<body>
<noscript>This page needs JavaScript; plain numbers are at <a href="/api/v1/values">/api/v1/values</a>.</noscript>
{%app_entry%}
{%config%}{%scripts%}{%renderer%}
</body>
</html>
"""
METAS: Final = [
    {"name": "viewport", "content": "width=device-width, initial-scale=1"},
    {"name": "color-scheme", "content": "light dark"},
]


def index_page(plant: Plant) -> str:
    """Return the page that Dash fills; zone, units and who has a page of its own stand in it before any script runs."""
    machines = escape(" ".join(plant.equipment))
    return (
        INDEX.replace("{zone}", escape(plant.zone))
        .replace("{units}", escape(plant.units))
        .replace("{machines}", machines)
    )


def shell(plant: Plant) -> html.Div:
    """Return the frame of every page; the page itself is filled in by path."""
    return html.Div(
        [
            Location(id="location"),
            html.A("Skip to the page", href="#page", className="skip"),
            html.Header([*_identity(plant), _state(), _switches(), _navigation()], className="top-bar"),
            html.Div(id="no-data", role="alert"),
            html.Main(id="page", className="page", tabIndex="-1"),
            html.Aside(id="detail", hidden=True, **attributes(aria_label="Detail of a value")),
        ],
        id="shell",
    )


def _identity(plant: Plant) -> list[Any]:
    mark = html.Strong("SIMULATED", id="simulated", className="simulated")
    practice = html.Strong("PRACTICE", id="practice", className="simulated")
    return [
        html.H1(plant.name, className="plant"),
        *([mark] if plant.simulated else []),
        *([practice] if plant.writes.practice else []),
    ]


def _navigation() -> html.Nav:
    links = [
        html.A(name, href=path, **attributes(data_page=path)) for path, name in PAGES.items() if path.count("/") == 1
    ]
    return html.Nav(links, className="pages", **attributes(aria_label="Pages"))


def _state() -> html.Div:
    return html.Div([html.Span("CONNECTING", id="link"), html.Time("--:--:--", id="clock")], className="state")


def _switches() -> html.Div:
    return html.Div(
        [
            html.Button("IP", id="units", type="button", title="Units: inch-pound or SI"),
            html.Button("Auto", id="theme", type="button", title="Light, dark, or as the computer says"),
            html.A("Help", href=HELP, id="help", title="What is on this page, marks, keys, first steps"),
            html.Span(id="who", className="who"),
        ],
        className="switches",
    )
