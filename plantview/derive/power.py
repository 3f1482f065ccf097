"""Electric power of several machines together, and what it leaves out."""

from __future__ import annotations

from collections.abc import Sequence

from plantview.calcs._numeric import total
from plantview.derive.bindings import Row
from plantview.derive.evidence import power_signal, runs
from plantview.model.plant import Equipment, Plant


def add(*values: float) -> float:
    """Return the sum."""
    return total(values)


def total_power(plant: Plant, name: str, label: str, machines: Sequence[Equipment]) -> Row:
    """Return the row of the power of machines; one that runs, or may run, unread makes it unknown."""
    meters = {machine.id: power_signal(plant, machine.id) for machine in machines}
    off_terms = {meters[machine.id]: proof for machine in machines if (proof := runs(plant, machine)) is not None}
    inputs = tuple(filter(None, meters.values()))
    unmetered = not_metered(plant, machines)
    return Row(
        name,
        "power",
        label,
        inputs,
        add,
        off_terms=off_terms,
        note=f"{', '.join(machine for machine, meter in meters.items() if meter)}{unmetered}",
        why_not="" if inputs else "none of its machines measures power",
    )


def not_metered(plant: Plant, machines: Sequence[Equipment]) -> str:
    """Return words that name the machines without a power reading; empty where there is none."""
    names = [machine.id for machine in machines if not power_signal(plant, machine.id)]
    return f"; not metered: {', '.join(names)}" if names else ""
