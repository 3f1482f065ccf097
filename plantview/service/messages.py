"""What the field tells: its readings, conditions and flows as JSON-able rows, and only what changed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from plantview import __version__
from plantview.clock import Clock
from plantview.errors import ChannelError
from plantview.history import Samples
from plantview.model.operation import BranchFlow, Condition
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading
from plantview.model.signal import Signal

Rows = dict[str, list[Any]]
RANGE_MS_MAX: Final = 2 * 3_600_000
FLOW_DECIMALS = 3
U95_DIGITS = 3
"""More digits of an uncertainty would say nothing, and change with every frame."""


def view(frame: Frame, judged: Mapping[str, Condition], moving: Mapping[str, BranchFlow]) -> dict[str, Rows]:
    """Return one moment as rows by name, in three parts."""
    return {
        "readings": {name: _reading(item) for name, item in frame.readings.items()},
        "conditions": {name: [str(item.operation), item.word, item.detail, item.hand] for name, item in judged.items()},
        "flows": {name: _flow(item) for name, item in moving.items()},
    }


def changed(now: Mapping[str, Rows], before: Mapping[str, Rows]) -> dict[str, Rows]:
    """Return the rows of ``now`` that differ from ``before``."""
    return {
        part: {name: row for name, row in rows.items() if before.get(part, {}).get(name) != row}
        for part, rows in now.items()
    }


def _reading(item: Reading) -> list[Any]:
    row = [item.value, int(item.quality), item.reason, item.at_ms]
    return row if item.u95 is None else [*row, float(f"{item.u95:.{U95_DIGITS}g}")]


def _flow(item: BranchFlow) -> list[Any]:
    flow = None if item.flow_l_s is None else round(item.flow_l_s, FLOW_DECIMALS)
    return [flow, item.moving, str(item.basis)]


def hello(
    plant: Plant, clock: Clock, signals: Mapping[str, Signal], unbound: Mapping[str, str], started_ms: int
) -> dict[str, Any]:
    """Return what a subscriber hears first: whose plant this is, how its time runs, and every signal."""
    return {
        "plant_id": plant.id,
        "name": plant.name,
        "now_ms": clock.now_ms(),
        "speed": clock.speed,
        "simulated": plant.simulated,
        "started_ms": started_ms,
        "version": __version__,
        "signals": [signal_row(signal) for signal in signals.values()],
        "unbound": dict(unbound),
    }


def asked_range(body: Mapping[str, Any], signals: Mapping[str, Signal], now_ms: int) -> tuple[str, int, int]:
    """Return the signal and the span that a question is about, bounded; ChannelError for a signal that is none."""
    name = str(body["point"])
    if name not in signals:
        raise ChannelError(f"no point '{name}' in this plant")
    to_ms = int(body.get("to_ms", now_ms + 1))
    return name, max(int(body.get("from_ms", 0)), to_ms - RANGE_MS_MAX), to_ms


def signal_row(signal: Signal) -> dict[str, Any]:
    """Return what pages need to know about a signal."""
    return {
        "name": signal.name,
        "equipment": signal.equipment,
        "measurement": signal.measurement,
        "quantity": signal.quantity,
        "unit": signal.unit.name,
        "label": signal.label,
        "states": {str(number): word for number, word in signal.states.items()},
        "period_s": signal.period_s,
        "device": signal.device,
        "address": signal.address,
        "inputs": list(signal.inputs),
        "note": signal.note,
    }


def samples_row(name: str, samples: Samples) -> dict[str, Any]:
    """Return a stretch of history; a BAD sample has no number."""
    quality = samples.quality.tolist()
    values = [
        None if mark == Quality.BAD else value for value, mark in zip(samples.values.tolist(), quality, strict=True)
    ]
    return {
        "point": name,
        "at_ms": samples.at_ms.tolist(),
        "values": values,
        "quality": quality,
        "reasons": list(samples.reasons),
    }
