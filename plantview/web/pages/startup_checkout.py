"""``/startup/checkout``: each point seen changing, as reported and shown, against a reading taken by hand; prints as a sheet."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.frame_view import FrameView
from plantview.web.pages.past import past_only
from plantview.web.pages.startup_links import startup_links
from plantview.web.pages.tables import table

COLUMNS: Final = (
    "Point", "Address", "Raw", "Scaled", "Seen changing", "Hand reading", "Difference", "Tolerance", "Verdict", "By", "Comment", "Check",
)  # fmt: skip


def layout(view: FrameView) -> list[Any]:
    """Return the page; where no device is asked, the way to what was noted."""
    if elsewhere := past_only(view, "/past/startup"):
        return elsewhere
    return [
        html.Div([html.H2("Checkout sheet"), startup_links()], className="startup-head"),
        html.P(
            f"{view.plant.name}. Numbers stand in the unit that the device reports. Raw is the register worked back through its"
            " scale; where nothing is scaled it is what the device reports.",
            className="summary",
        ),
        html.Div(id="checkout-tools", role="group", className="startup-tools"),
        html.P(id="checkout-answer", className="summary", role="status"),
        table("checkout", "Checkout sheet", COLUMNS),
    ]
