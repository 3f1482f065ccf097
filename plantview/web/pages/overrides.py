"""``/overrides``: who has armed what, what we hold, what anybody holds, work notices; and where a command begins."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.pages.tables import table

NOT_LOCKOUT: Final = (
    "Not lockout: lock and tag at the disconnect before work.",
    " Local codes, the machine's manual and licensed practice come first.",
)
OURS: Final = ("Equipment", "Point", "Value", "End it", "Where", "How it stands", "Time left", "By", "Reason")
HELD: Final = ("Equipment", "Point", "Priority", "Value", "Present value", "Wins", "By", "Since", "Ours")
WAITING: Final = ("Equipment", "Point", "New value", "Look at it", "By", "Agreed by", "Time left")
NOTICES: Final = ("Equipment", "Work", "By", "Phone", "Since", "Remove")


def layout(view: FrameView) -> list[Any]:
    """Return the page; where nothing may be written it says so and how that is changed."""
    writes = view.plant.writes
    warning = html.P([html.Strong(NOT_LOCKOUT[0]), NOT_LOCKOUT[1]], className="not-lockout", role="note")
    if not writes.active:
        return [html.H2("Overrides"), warning, _off(), *_held()]
    return [
        html.H2("Overrides and commands"),
        warning,
        html.P(id="commands-trouble", className="flood", role="alert", hidden=True),
        html.Div(id="command-arm", className="command-row"),
        html.Div(id="command-order", className="command-row"),
        html.P(id="commands-answer", className="summary", role="status"),
        html.H3("Held by this program"),
        html.Div(id="release-all-box", className="command-row"),
        table("ours", "Overrides held by this program, and those ended within the hour", OURS),
        html.Div(
            [
                html.H3("Waits for a second person"),
                table("waiting", "Commands that a second person must agree to", WAITING),
            ],
            hidden=True,
            className="waiting-box",
            **attributes(id="waiting-box"),
        ),
        *_held(),
        html.H3("Work notices"),
        html.P(
            "A work notice blocks commands of this program. It isolates nothing, and no other program or panel knows of it.",
            className="summary",
        ),
        html.Div(id="notice-box", className="command-row"),
        table("notices", "Work notices", NOTICES),
    ]


def _held() -> list[Any]:
    return [
        html.H3("Held by anybody"),
        html.P(id="held-count", className="summary", role="status"),
        table("held", "Every priority that is held in a commandable point; reading them writes nothing", HELD),
    ]


def _off() -> html.Div:
    return html.Div(
        [
            html.P(
                "Nothing can be written to this plant: writing is not enabled, and no code that could write is loaded."
            ),
            html.P(
                [
                    "What may be written is listed in writes.toml beside plant.toml; it counts once plant.toml says ",
                    html.Code("[writes] enabled = true"),
                    ". To rehearse without a plant: ",
                    html.Code("plantview demo --practice"),
                    ".",
                ]
            ),
        ],
        className="summary",
        **attributes(id="commands-off"),
    )
