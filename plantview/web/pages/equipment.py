"""``/equipment?id=``: one machine with all that is known of it; without an id the list of all machines.

``/plant/machine?id=``, where the drawings lead, is the same page. ``assets/pages_equipment.js`` fills it.
"""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.pages import plant

SHOWN: Final = {
    "chiller": "Chillers",
    "tower_cell": "Tower cells",
    "pump": "Pumps",
    "fan": "Fans",
    "heat_exchanger": "Heat exchangers",
}
"""Kinds that the list begins with -> heading; others follow under their own name."""
SECTIONS: Final = (
    ("equipment-alarms", "Alarms and findings"),
    ("equipment-derived", "Worked out"),
    ("equipment-model", "Beside its own normal"),
    ("equipment-read", "Read"),
    ("equipment-run", "Run hours and starts"),
    ("equipment-day", "Last day"),
    ("equipment-map", "Performance map"),
    ("equipment-design", "Design data"),
)


def layout(view: FrameView) -> list[Any]:
    """Return the page."""
    nav, drawing, *_ = plant.machine_layout(view)
    sections = [
        html.Section([html.H3(title), html.Div("Loading", id=name, className="quiet")], className=f"part {name}")
        for name, title in SECTIONS
    ]
    heading: list[Any] = [html.H2("Equipment", id="equipment-name"), html.P(id="equipment-state", className="summary")]
    return [
        nav,
        html.Div(heading),
        html.Section(_machines(view), id="equipment-list", hidden=True, **attributes(aria_label="All equipment")),
        html.Div([drawing], id="equipment-drawing"),
        html.Div(sections, id="equipment", className="equipment"),
        html.P(id="equipment-caution", className="caution"),
    ]


def _machines(view: FrameView) -> list[Any]:
    """Return every machine by kind, each with a link to its page."""
    found: dict[str, list[Any]] = {heading: [] for heading in SHOWN.values()}
    for item in view.plant.equipment.values():
        heading = SHOWN.get(item.kind, item.kind.replace("_", " ").capitalize())
        parts: list[Any] = [html.A(item.id, href=f"/equipment?id={item.id}")]
        if item.label != item.id:
            parts += [" ", html.Span(item.label, className="quiet")]
        found.setdefault(heading, []).append(html.Li(parts))
    return [part for heading, rows in found.items() if rows for part in (html.H3(heading), html.Ul(rows))]
