"""Random frames of an example plant that runs, and its values as a page shows them."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass

from plantview.derive import Derivation
from plantview.model.plant import Plant
from plantview.model.reading import Frame, Reading
from plantview.simulator.plant import SimulatedPlant
from plantview.units import shown
from tests.frames import Change, frame_of
from tests.simulation.plant_days import MORNING_MS

FRAMES = 200


def running(plant: Plant) -> Mapping[str, Change]:
    """Return what a plant's devices report on a summer morning, as a base for random frames."""
    reported = SimulatedPlant(plant, MORNING_MS, coarse=True).reported()
    states = {name: point.states for name, point in plant.points.items()}
    return {name: states[name][int(value)] if states[name] else value for name, value in reported.items()}


def random_frame(plant: Plant, base: Mapping[str, Change], draw: random.Random) -> Frame:
    """Return the running plant with every chiller running at some load, somewhere near the base frame's weather."""
    changes: dict[str, Change] = dict(base)
    ip = plant.units == "ip"
    degree, gpm = (1.0, 1.0) if ip else (1 / 1.8, 0.2271247)
    zero_f = 32.0 if ip else 0.0
    for chiller in plant.of_kind("chiller"):
        cold, entering = draw.uniform(40, 48), draw.uniform(66, 86)
        chw, cw = draw.uniform(500, 1_400), draw.uniform(800, 1_800)
        spread = draw.uniform(4, 14)
        tons = chw * spread / 24
        power = tons * draw.uniform(0.45, 0.8)
        across = 24 * (tons + power / 3.517) / cw
        for name, at_f in (
            ("chws_temp", cold), ("chwr_temp", cold + spread), ("cws_temp", entering), ("cwr_temp", entering + across),
        ):  # fmt: skip
            changes[f"{chiller.id}.{name}"] = (at_f - 32) * degree + zero_f
        changes |= {
            f"{chiller.id}.status": "RUN", f"{chiller.id}.chw_flow": chw * gpm, f"{chiller.id}.cw_flow": cw * gpm,
            f"{chiller.id}.power": power,
        }  # fmt: skip
    for name in changes:
        if name.endswith((".power",)) and not name.startswith("CH-"):
            changes[name] = draw.uniform(1, 40)
    return frame_of(plant, changes)


@dataclass(frozen=True, slots=True)
class Screen:
    """What a page shows of one frame, in one system of units: numbers with their last digit."""

    readings: Mapping[str, Reading]
    units: Mapping[str, tuple[str, object]]
    system: str

    def number(self, name: str) -> tuple[float, float]:
        """Return the number as displayed and half its last digit."""
        reading, (quantity, reported) = self.readings[name], self.units[name]
        assert reading.value is not None, f"{name}: {reading.reason}"
        unit, decimals = shown(quantity, self.system)
        canonical = reported.to_canonical(reading.value)  # type: ignore[attr-defined]
        return float(f"{unit.from_canonical(canonical):.{decimals}f}"), 0.5 * 10.0**-decimals


def screens(plant: Plant, base: Mapping[str, Change], system: str) -> list[Screen]:
    """Return as many screens as there are frames."""
    draw, derivation = random.Random(20_260_701), Derivation(plant)
    units: dict[str, tuple[str, object]] = {name: (point.quantity, point.unit) for name, point in plant.points.items()}
    units.update({name: (signal.quantity, signal.unit) for name, signal in derivation.signals.items()})
    found = []
    for _ in range(FRAMES):
        frame = random_frame(plant, base, draw)
        found.append(Screen({**frame.readings, **derivation.run(frame).readings}, units, system))
    return found
