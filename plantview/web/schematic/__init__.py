"""The schematic: drawn from the plant description, once; live.js patches it afterwards."""

from __future__ import annotations

from collections.abc import Mapping

from plantview.model.plant import Plant
from plantview.model.signal import Signal, signal_of
from plantview.web.schematic.alone import compose_machine
from plantview.web.schematic.compose import compose
from plantview.web.schematic.phone import compose_list
from plantview.web.schematic.render import render
from plantview.web.schematic.topology import NotDrawn

__all__ = ["draw", "loop_drawing", "machine_drawing"]


def draw(plant: Plant, signals: Mapping[str, Signal], orientation: str = "wall") -> str:
    """Return the drawing of a plant as SVG text.

    ``wall`` is the flow diagram; a plant that has none that is true gets the list with the reason.
    ``phone`` is the list of machines in trade order with the mains between.
    """
    if orientation == "phone":
        return render(compose_list(plant, signals), plant.name, "phone")
    try:
        return render(compose(plant, signals), plant.name)
    except NotDrawn as reason:
        return render(compose_list(plant, signals, str(reason)), plant.name, "phone list")


def loop_drawing(plant: Plant, signals: Mapping[str, Signal], loop: str) -> str:
    """Return one loop of the plant as SVG text; KeyError for a loop that does not exist."""
    name = f"{plant.name}: loop {plant.loops[loop].id}"
    try:
        return render(compose(plant, signals, loop), name)
    except NotDrawn as reason:
        one = {loop: plant.loops[loop]}
        return render(compose_list(plant, signals, str(reason), one), name, "phone list")


def machine_drawing(plant: Plant, equipment_id: str, signals: Mapping[str, Signal] | None = None) -> str:
    """Return one machine with its pipes and all that is known about it as SVG text; KeyError if there is none.

    Without ``signals`` it shows what is measured; the web process adds what is worked out.
    """
    known = {name: signal_of(point) for name, point in plant.points.items()} if signals is None else signals
    return render(compose_machine(plant, plant.equipment[equipment_id], known), plant.equipment[equipment_id].label)
