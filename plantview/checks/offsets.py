"""Pumps on and chiller off: sensors in the same water must agree, so that what they differ by are their offsets.

The water that enters an idle machine leaves it as it came. Heat of pumps and of the pipes' surroundings is left
out of account; at full flow it is some hundredths of a kelvin (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from plantview.checks.running import all_off
from plantview.checks.window import Window
from plantview.derive.rings import upstream
from plantview.model.plant import Equipment, Loop, Plant, Stage

SETTLED_S: Final = 600.0
"""A machine must have stood, with water moving through it, for so long (our own choice)."""
STEADY_K: Final = 0.15
"""Spread of each sensor over the comparison above which the water itself was changing (our own choice)."""
ROWS_MIN: Final = 10
SENSORS: Final = {"chilled": ("chw", "chws_temp", "chwr_temp"), "condenser": ("cw", "cws_temp", "cwr_temp")}


@dataclass(frozen=True, slots=True)
class Place:
    """Sensors in one water while some machines stand."""

    name: str
    sensors: tuple[str, ...]
    off: tuple[str, ...]
    on: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Compared:
    """One comparison: means in °C, and by how much each differs from the middle one, in kelvin."""

    place: str
    from_ms: int
    to_ms: int
    rows: int
    middle_c: float
    sensors: dict[str, float]
    """Sensor -> mean less ``middle_c``."""

    def row(self) -> dict[str, Any]:
        """Return it as JSON-able data."""
        return asdict(self)


def places(plant: Plant) -> tuple[Place, ...]:
    """Return where sensors can be compared: each chiller's barrels, with the header ahead, and with all idle the one behind."""
    found = []
    for loop in plant.loops.values():
        for stage in loop.stages_of("chiller") if loop.water in SENSORS else ():
            found += list(_of_stage(plant, loop, stage))
    return tuple(each for each in found if len(each.sensors) > 1)


def _of_stage(plant: Plant, loop: Loop, stage: Stage) -> Iterator[Place]:
    water, *names = SENSORS[loop.water]
    machines = [
        plant.equipment[port.equipment] for port in stage.ports() if plant.equipment[port.equipment].kind == "chiller"
    ]
    ahead = next((f"{each}.temp" for each in upstream(loop, stage.start)[0] if f"{each}.temp" in plant.points), "")
    for machine in machines:
        proof = _states(plant, machine, f"{water}_flow_proof")
        own = tuple(f"{machine.id}.{name}" for name in names if plant.point(machine.id, name))
        if proof and _states(plant, machine, "status"):
            sensors = (*own, *filter(None, (ahead,)))
            yield Place(f"{machine.id} {water.upper()}", sensors, _states(plant, machine, "status"), proof)


def _states(plant: Plant, machine: Equipment, measurement: str) -> tuple[str, ...]:
    return (f"{machine.id}.{measurement}",) if plant.point(machine.id, measurement) else ()


def compare(plant: Plant, known: tuple[Place, ...], window: Window) -> tuple[Compared, ...]:
    """Return the comparisons that a window allows."""
    found = (_compare(plant, place, window) for place in known)
    return tuple(each for each in found if each is not None)


def _compare(plant: Plant, place: Place, window: Window) -> Compared | None:
    if window.at_ms.size < ROWS_MIN:
        return None
    asked = all_off(plant, place.off, place.on, SETTLED_S)(window)
    columns = {name: window.of(name)[asked] for name in place.sensors}
    columns = {
        name: values for name, values in columns.items() if values.size >= ROWS_MIN and np.isfinite(values).all()
    }
    if len(columns) < 2 or any(np.std(values) > STEADY_K for values in columns.values()):
        return None
    means = {name: float(values.mean()) for name, values in columns.items()}
    middle = float(np.median(list(means.values())))
    times = window.at_ms[asked]
    apart = {name: round(mean - middle, 3) for name, mean in means.items()}
    return Compared(place.name, int(times[0]), int(times[-1]), int(asked.sum()), round(middle, 3), apart)
