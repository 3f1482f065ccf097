"""``plantview check``: every problem of every room that reads the plant description."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from plantview.alarms import compile_rules
from plantview.config import read_plant
from plantview.derive import Derivation
from plantview.errors import Problem
from plantview.model.plant import Plant
from plantview.model.signal import signal_of


def problems_of(folder: Path) -> tuple[Plant | None, list[Problem]]:
    """Return the plant and all problems; alarms are looked at as far as the plant could be read."""
    plant, problems = read_plant(folder)
    if plant is None:
        return None, problems
    signals = {point.name: signal_of(point) for point in plant.points.values()}
    if not problems:
        signals.update(Derivation(plant).signals)
        problems = [*problems, *compile_rules(plant, signals)[1]]
    return plant, problems


def report(plant: Plant | None, problems: Sequence[Problem]) -> list[str]:
    """Return the lines that a person reads."""
    lines = [str(problem) for problem in problems]
    if plant is not None and not problems:
        derivation = Derivation(plant)
        lines.append(
            f"{plant.name}: nothing wrong. {len(plant.points)} points of {len(plant.devices)} devices, "
            f"{len(derivation.signals)} derived values, {len(plant.alarms)} alarms."
        )
        lines.extend(f"not derived: {name}: {why}" for name, why in sorted(derivation.unbound.items()))
    else:
        lines.append(f"{len(problems)} problem(s).")
    return lines
