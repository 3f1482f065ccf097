"""``/startup``: what each machine waits for, the sequence of events, the fast group; the script fills it."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.pages.past import past_only
from plantview.web.pages.startup_links import startup_links
from plantview.web.pages.tables import table

PROOFS: Final = ("Machine", "Waits for", "State", "Left", "Limit", "Last")
EVENTS: Final = ("Time", "Δt", "From zero", "Uncertain", "Equipment", "What", "Zero")


def layout(view: FrameView) -> list[Any]:
    """Return the page; where no device is asked, the way to what was noted."""
    if elsewhere := past_only(view, "/past/startup"):
        return elsewhere
    return [
        html.Div([html.H2("Start-up"), startup_links()], className="startup-head"),
        html.P(id="startup-trouble", className="flood", role="alert", hidden=True),
        html.Div(
            [
                html.Section(
                    [
                        html.H3("Proofs awaited, in start order"),
                        html.P(id="proof-count", className="summary", role="status"),
                        table("proofs", "Proofs awaited, in start order", PROOFS),
                    ],
                    className="startup-proofs",
                    **attributes(aria_label="Proofs awaited"),
                ),
                html.Section(
                    [
                        html.H3("Sequence of events, newest first"),
                        html.Div(id="event-tools", role="group", className="startup-tools"),
                        html.P(id="event-answer", className="summary", role="status"),
                        table("events", "Sequence of events, newest first", EVENTS),
                        html.Div(id="event-more"),
                    ],
                    className="startup-events",
                    **attributes(aria_label="Sequence of events"),
                ),
                html.Section(
                    [
                        html.H3("Fast group"),
                        html.P(id="fast-answer", className="summary", role="status"),
                        html.Div(id="fast-tools", className="startup-tools"),
                        html.Div(id="fast-values", className="fast-values"),
                    ],
                    className="startup-fast",
                    **attributes(aria_label="Fast group"),
                ),
            ],
            id="startup",
        ),
    ]
