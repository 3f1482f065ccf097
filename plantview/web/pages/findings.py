"""``/findings``: sensors that contradict their balances, and what a person decides; ``/findings/offsets``: the offset table."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.pages.tables import table

DECIDED: Final = ("When", "Finding", "Decision", "By", "Reason")
PAST: Final = ("From", "Until", "Finding", "How it ended")
OFFSETS: Final = (
    "Sensor", "Compared", "In the water of", "Off the middle", "Thermometer", "Read", "By", "Off the thermometer", "Accepted", "Line",
)  # fmt: skip
READINGS: Final = ("When", "Sensor", "Thermometer", "Sensor then", "By", "Note")
LINKS: Final = {"/findings": "Findings", "/findings/offsets": "Offsets"}


def layout(_view: FrameView) -> list[Any]:
    """Return the page of findings."""
    return [
        html.H2("Findings"),
        _links(),
        html.P(
            "Each sensor is held against the balances that it takes part in. Where a swap, a wrong unit, a wrong sign or a wrong"
            " pipe would close them, it stands here, and whatever depends on that sensor is unknown until somebody decides."
            " Nothing is corrected by itself.",
            className="summary",
        ),
        html.P(id="findings-caution", className="caution", role="note"),
        html.P(id="findings-trouble", className="flood", role="alert", hidden=True),
        html.P(id="findings-last", className="summary", role="status"),
        html.Div(
            [html.Label("Your initials", htmlFor="initials"), html.Span(id="findings-initials")],
            className="acknowledge",
        ),
        html.P(id="findings-answer", className="summary", role="status"),
        html.Div(id="findings-open"),
        html.H3("Decided to be right"),
        table("decided", "Findings that a person decided against", DECIDED),
        html.H3("Ended by themselves or by a changed description"),
        table("ended", "Findings that ended", PAST),
    ]


def offsets_layout(_view: FrameView) -> list[Any]:
    """Return the page of offsets."""
    return [
        html.H2("Offsets of water temperature sensors"),
        _links(),
        html.P(
            "With pumps on and a chiller off, water leaves it as it came: sensors in it must agree."
            " What they differ by is kept here with its date, beside readings of a thermometer."
            " An offset counts once its line stands in the point list and the description was taken up anew.",
            className="summary",
        ),
        html.P(id="offsets-caution", className="caution", role="note"),
        html.Div(
            [
                html.Label("Your initials", htmlFor="initials"),
                html.Span(id="findings-initials"),
                html.Div(id="thermometer-box", className="acknowledge"),
                html.A("Export as CSV", href="/api/v1/offsets.csv", className="like-button"),
                html.Button("Print", id="offsets-print", type="button"),
            ],
            className="acknowledge offsets-tools",
        ),
        html.P(id="findings-answer", className="summary", role="status"),
        table("offsets", "Offset table", OFFSETS),
        html.H3("Lines to change for an offset"),
        html.Div(id="offset-lines"),
        html.H3("Thermometer readings"),
        table("thermometer", "Thermometer readings, newest first", READINGS),
    ]


def _links() -> html.Nav:
    links = [html.A(name, href=path, **attributes(data_page=path)) for path, name in LINKS.items()]
    return html.Nav(links, className="alarm-pages", **attributes(aria_label="Findings and offsets"))
