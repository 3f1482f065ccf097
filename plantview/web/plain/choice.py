"""What a small page shows of each machine and pipe, in trade order: towers, pumps, chillers, buildings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from plantview.model.plant import Plant
from plantview.model.services import WORDS, service_of
from plantview.model.signal import Signal

ORDER: Final[dict[str, tuple[tuple[str, str], ...]]] = {
    "tower_cell": (("leaving", "leaving_temp"), ("approach", "approach")),
    "fan": (("speed", "speed"), ("power", "power")),
    "pump": (("speed", "speed"), ("power", "power")),
    "chiller": (
        ("load", "load_pct"), ("cooling load", "cooling_load"), ("kW/ton", "kw_per_ton"), ("power", "power"),
        ("leaving CHWS", "chws_temp"), ("entering CHWR", "chwr_temp"), ("entering CWS", "cws_temp"),
        ("leaving CWR", "cwr_temp"), ("evaporator approach", "evap_approach"), ("condenser approach", "cond_approach"),
    ),
    "heat_exchanger": (("warm in", "warm_in_temp"), ("warm out", "warm_out_temp")),
    "coil": (("valve", "valve_position"), ("leaving air", "leaving_air_temp"), ("water out", "chwr_temp")),
}  # fmt: skip
"""Kind -> lines of its card: words and measurement, measured or derived."""
HEADER_LINES: Final = (("temperature", "temp"), ("flow", "flow"), ("setpoint", "setpoint"))


@dataclass(frozen=True, slots=True)
class Card:
    """One block of the page."""

    id: str
    title: str
    machine: bool
    lines: tuple[tuple[str, str], ...]
    """Words and the name of the signal."""


def cards(plant: Plant, signals: Mapping[str, Signal]) -> list[Card]:
    """Return the blocks of a plant: pipes first, then machines; a block without a value is left out."""
    found = [*_pipes(plant, signals), *_machines(plant, signals)]
    return [card for card in found if card.lines or card.machine]


def _pipes(plant: Plant, signals: Mapping[str, Signal]) -> list[Card]:
    pipes = []
    for loop in plant.loops.values():
        for header in loop.headers:
            lines = tuple((words, f"{header}.{name}") for words, name in HEADER_LINES if f"{header}.{name}" in signals)
            pipes.append(Card(header, f"{WORDS[service_of(loop, header)]}: {header}", False, lines))
        for bypass in loop.bypasses:
            flow = f"{bypass.id}.flow"
            pipes.append(Card(bypass.id, bypass.id.replace("-", " "), False, (("flow", flow),) * (flow in signals)))
            pipes += [_valve(plant, valve) for valve in bypass.via]
        for stage in loop.stages_of("valve"):
            pipes += [_valve(plant, port.equipment) for port in stage.ports()]
    return pipes


def _valve(plant: Plant, valve: str) -> Card:
    """Return the block of a valve: its state is its position in words."""
    return Card(valve, plant.equipment[valve].label, True, ())


def _machines(plant: Plant, signals: Mapping[str, Signal]) -> list[Card]:
    machines = []
    for kind, rows in ORDER.items():
        for item in plant.of_kind(kind):
            lines = tuple((words, f"{item.id}.{name}") for words, name in rows if f"{item.id}.{name}" in signals)
            machines.append(Card(item.id, item.label, True, lines))
    return machines
