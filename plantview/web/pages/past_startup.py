"""``/past/startup``: marks, sequence of events, captures and checkout sheet as they were noted up to a past moment.

Nothing can be marked, checked or chosen here; ``assets/pages_startup_past.js`` fills the tables and leads to each moment.
"""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.pages.past import levels, moment_shown
from plantview.web.pages.tables import table

EVENTS: Final = ("Time", "Δt", "Uncertain", "Equipment", "What")
CAPTURES: Final = ("Time", "Equipment", "Alarm", "Points", "Samples", "File")
CHECKED: Final = (
    "Point", "Raw", "Scaled", "Hand reading", "Difference", "Tolerance", "Verdict", "By", "Comment",
)  # fmt: skip


def layout(view: FrameView) -> list[Any]:
    """Return the page."""
    return [
        *moment_shown(view),
        levels(view),
        html.Section(
            [
                html.H2("Sequence of events up to this moment, newest first"),
                html.P(id="past-events-answer", className="summary", role="status"),
                table("past-events", "Sequence of events up to this moment", EVENTS),
            ],
            **attributes(aria_label="Sequence of events"),
        ),
        html.Section(
            [
                html.H2("Captures of trips"),
                html.P(id="past-captures-answer", className="summary", role="status"),
                table("past-captures", "Captures of trips", CAPTURES),
            ],
            **attributes(aria_label="Captures"),
        ),
        html.Section(
            [
                html.H2("Checkout sheet as it was kept"),
                html.P(id="past-checked-answer", className="summary", role="status"),
                table("past-checked", "Checkout sheet as it was kept", CHECKED),
            ],
            **attributes(aria_label="Checkout sheet"),
        ),
    ]
