"""Plants to draw, each with every value that it could have: the fullest drawing is the hardest."""

from __future__ import annotations

import functools
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.model.measurements import MEASUREMENTS
from plantview.model.plant import Plant
from plantview.model.signal import Signal
from plantview.units import canonical
from plantview.web.schematic.scene import Words
from tests.shapes import SHAPES, read_shape

EXAMPLES = ("larkfield", "orchard", "millrace")
DRAWN = (*EXAMPLES, *SHAPES)

_DERIVED = {
    "chiller": {"load_pct": "percent", "cooling_load_tons": "heat_flow", "kw_per_ton": "efficiency"},
}


@functools.cache
def plant(name: str) -> Plant:
    """Return an example plant or a shape."""
    if name in EXAMPLES:
        return load_plant(bundled("plants") / name)
    with tempfile.TemporaryDirectory() as folder:
        found, problems = read_shape(name, Path(folder))
    assert found is not None, problems
    return found


def _names(described: Plant) -> Iterator[tuple[str, str, str]]:
    for item in described.equipment.values():
        for name, measurement in MEASUREMENTS.get(item.kind, {}).items():
            yield item.id, name, measurement.quantities[0]
        for name, quantity in _DERIVED.get(item.kind, {}).items():
            yield item.id, name, quantity
    for loop in described.loops.values():
        for header in loop.headers:
            for name, measurement in MEASUREMENTS["header"].items():
                yield header, name, measurement.quantities[0]
            yield header, f"dp_to:{loop.start}", "pressure_difference"
        for bypass in loop.bypasses:
            yield bypass.id, "flow", "flow"
    yield "PLANT", "wet_bulb", "temperature"


@functools.cache
def signals(name: str) -> Mapping[str, Signal]:
    """Return a signal for everything that the equipment of a plant can tell."""
    return {
        f"{equipment}.{measured}": Signal(
            f"{equipment}.{measured}",
            equipment,
            measured,
            quantity,
            canonical(quantity),
            measured,
            {},
            5.0,
            "D",
            "",
            (),
            "",
        )
        for equipment, measured, quantity in _names(plant(name))
    }


def clash(a: Words, b: Words) -> bool:
    """Return whether two texts cover one another while both are shown."""
    return not (a.turn and a.turn == b.turn) and a.box.overlaps(b.box, clear=-1.0)
