"""What every machine is doing, judged from one frame by the points that it has.

Nothing that was not read is called OFF: without a usable proof the answer is NO COMMS
(the device is silent) or UNKNOWN, each with its reason.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet

from plantview.derive.conditions_chillers import chiller
from plantview.derive.conditions_drives import drive
from plantview.derive.conditions_next import next_to_start
from plantview.derive.conditions_observed import Observed
from plantview.derive.conditions_valves import coil_condition, valve_condition
from plantview.derive.conditions_water import basin, heat_exchanger, tower_cell
from plantview.derive.flows_paths import moving, paths
from plantview.model.operation import Condition
from plantview.model.plant import Plant
from plantview.model.reading import Frame


def conditions(plant: Plant, frame: Frame, tripped: AbstractSet[str] = frozenset()) -> dict[str, Condition]:
    """Return the condition of every chiller, pump, fan, tower cell, valve, coil, exchanger and basin.

    ``tripped`` names equipment whose trip alarm is active, for drives that have no fault point.
    """
    observed = Observed(plant, frame)
    alarmed = frozenset(tripped)
    found: dict[str, Condition] = {}
    found.update((item.id, drive(observed, item, alarmed)) for kind in ("pump", "fan") for item in plant.of_kind(kind))
    found.update((item.id, valve_condition(observed, item)) for item in plant.of_kind("valve"))
    water = _water(observed, found)
    found.update((item.id, chiller(observed, item, alarmed, found)) for item in plant.of_kind("chiller"))
    found.update(next_to_start(observed, plant.of_kind("chiller"), found))
    for item in plant.of_kind("tower_cell"):
        found[item.id] = tower_cell(observed, item, _all_of(water.get(item.id, ())), found)
    found.update((item.id, heat_exchanger(water.get(item.id, ()))) for item in plant.of_kind("heat_exchanger"))
    found.update((item.id, coil_condition(observed, item)) for item in plant.of_kind("coil"))
    found.update((item.id, basin(observed, item)) for item in plant.of_kind("basin"))
    return {name: found[name] for name in plant.equipment if name in found}


def _water(observed: Observed, found: dict[str, Condition]) -> dict[str, tuple[bool | None, ...]]:
    """Return for each piece of equipment whether water moves through each of its circuits."""
    water: dict[str, tuple[bool | None, ...]] = {}
    for loop in observed.plant.loops.values():
        state = moving(observed, loop, found)
        for path in paths(loop):
            for port in path.ports:
                water[port.equipment] = (*water.get(port.equipment, ()), state[path.key])
    return water


def _all_of(moving_circuits: tuple[bool | None, ...]) -> bool | None:
    return False if False in moving_circuits else (None if None in moving_circuits or not moving_circuits else True)
