"""The schematic: drawn from the plant description, once; live.js patches it afterwards."""

from __future__ import annotations

from collections.abc import Mapping

from plantview.model.plant import Plant
from plantview.model.signal import Signal, signal_of
from plantview.web.schematic.alone import compose_machine
from plantview.web.schematic.colours import told
from plantview.web.schematic.columns import compose_columns
from plantview.web.schematic.compose import compose
from plantview.web.schematic.legible import fits_a_laptop, smallest_px
from plantview.web.schematic.overview import compose_overview
from plantview.web.schematic.phone import compose_list
from plantview.web.schematic.render import render
from plantview.web.schematic.scene import Scene
from plantview.web.schematic.topology import NotDrawn

__all__ = ["draw", "loop_drawing", "machine_drawing"]


def draw(plant: Plant, signals: Mapping[str, Signal], orientation: str = "wall", least: float = 0.0) -> str:
    """Return the drawing of a plant as SVG text.

    ``wall`` is the flow diagram, of a large plant its overview; a plant that has none that is true gets the list with
    the reason. ``phone`` is the list of machines in trade order with the mains between. ``screen`` is for a wall that
    nobody scrolls: the overview where the texts of the flow diagram would be smaller than ``least`` pixels.
    """
    if orientation == "phone":
        return render(compose_list(plant, signals), plant.name, "phone", told(plant))
    try:
        scene = _seen(compose(plant, signals), plant, signals, orientation, least)
        return render(scene, plant.name, "wall", told(plant))
    except NotDrawn as reason:
        if orientation == "screen":
            return render(compose_columns(plant, signals, str(reason)), plant.name, "columns", told(plant))
        return render(compose_list(plant, signals, str(reason)), plant.name, "phone list", told(plant))


def _seen(diagram: Scene, plant: Plant, signals: Mapping[str, Signal], orientation: str, least: float) -> Scene:
    """Return the flow diagram, or the overview where that is read better."""
    as_diagram = smallest_px(diagram.width, diagram.height)
    if as_diagram >= least if orientation == "screen" else fits_a_laptop(diagram.width, diagram.height):
        return diagram
    overview = compose_overview(plant, signals)
    return overview if smallest_px(overview.width, overview.height) > as_diagram else diagram


def loop_drawing(plant: Plant, signals: Mapping[str, Signal], loop: str) -> str:
    """Return one loop of the plant as SVG text; KeyError for a loop that does not exist."""
    name = f"{plant.name}: loop {plant.loops[loop].id}"
    try:
        return render(compose(plant, signals, loop), name, colours=told(plant))
    except NotDrawn as reason:
        one = {loop: plant.loops[loop]}
        return render(compose_list(plant, signals, str(reason), one), name, "phone list", told(plant))


def machine_drawing(plant: Plant, equipment_id: str, signals: Mapping[str, Signal] | None = None) -> str:
    """Return one machine with its pipes and all that is known about it as SVG text; KeyError if there is none.

    Without ``signals`` it shows what is measured; the web process adds what is worked out.
    """
    known = {name: signal_of(point) for name, point in plant.points.items()} if signals is None else signals
    item = plant.equipment[equipment_id]
    return render(compose_machine(plant, item, known), item.label, colours=told(plant))
