"""The schematic: drawn from the plant description, once; live.js patches it afterwards."""

from __future__ import annotations

from collections.abc import Mapping

from plantview.model.plant import Plant
from plantview.model.signal import Signal
from plantview.web.schematic.compose import compose
from plantview.web.schematic.phone import compose_list
from plantview.web.schematic.render import render
from plantview.web.schematic.topology import NotDrawn

__all__ = ["draw"]


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
