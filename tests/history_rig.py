"""A plant's worth of signals and readings for the history tests and benches; the same numbers every time."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from plantview import units
from plantview.history import Samples
from plantview.model.quality import Quality
from plantview.model.reading import Batch, Reading
from plantview.model.signal import Signal

START_MS = 1_793_491_200_000
"""2026-11-01 00:00 UTC."""
HOUR_MS, DAY_MS = 3_600_000, 86_400_000


def signal(
    name: str,
    quantity: str = "temperature",
    unit: str = "degC",
    *,
    period_s: float = 5.0,
    states: dict[int, str] | None = None,
    derived: bool = False,
) -> Signal:
    equipment, measurement = name.split(".")
    kept_in = units.unit(unit, quantity)
    device = "" if derived else "panel"
    return Signal(
        name, equipment, measurement, quantity, kept_in, name, states or {}, period_s, device, "", (), ""
    )  # fmt: skip


# of twenty points: seven temperatures, three flows, two powers, four states, a register, two set-points, a derived value
MIX = (*["temperature"] * 7, *["flow"] * 3, *["power"] * 2, *["state"] * 4, "energy", *["setpoint"] * 2, "derived")


def mixed(count: int, period_s: float = 5.0) -> dict[str, Signal]:
    """Return so many signals, of every twenty the kinds of a central plant."""
    found = {}
    for number in range(count):
        kind = MIX[number % len(MIX)]
        quantity, unit = {
            "temperature": ("temperature", "degC"),
            "flow": ("flow", "L/s"),
            "power": ("power", "kW"),
            "state": ("state", "state"),
            "energy": ("energy", "kWh"),
            "setpoint": ("temperature", "degC"),
            "derived": ("efficiency", "kW/ton"),
        }[kind]
        name = f"EQ-{number // len(MIX)}.{kind}_{number % len(MIX)}"
        states = {0: "OFF", 1: "RUN"} if kind == "state" else None
        found[name] = signal(name, quantity, unit, period_s=period_s, states=states, derived=kind == "derived")
    return found


def course(kind: str, at_ms: NDArray[np.int64], seed: int) -> NDArray[np.float64]:
    """Return what a signal of a kind reports at some times: a day's load, slow drift and sensor noise."""
    lots = np.random.default_rng(seed)
    day = np.sin((at_ms % DAY_MS) / DAY_MS * 2 * math.pi - 2.0)
    drift = np.cumsum(lots.normal(0, 0.003, at_ms.size))
    noise = lots.normal(0, 0.02, at_ms.size)
    if kind == "temperature":
        return np.round(7.0 + 2 * day + drift + noise, 1 + seed % 2).astype(np.float32).astype(np.float64)
    if kind == "flow":
        return (120 + 30 * day + 20 * (drift + noise)).astype(np.float32).astype(np.float64)
    if kind == "power":
        return np.round(300 + 150 * day + 10 * (drift + noise), 1)
    if kind == "state":
        return (np.cumsum(lots.random(at_ms.size) < 1 / 5_000) % 2).astype(np.float64)
    if kind == "energy":
        return np.round(1e5 + np.cumsum(np.maximum(0.0, 300 + 150 * day) * 5 / 3_600), 1)
    if kind == "setpoint":
        return np.full(at_ms.size, 6.7)
    return np.asarray(0.62 + 0.05 * day + 0.1 * (drift + noise))


def kind_in(name: str) -> str:
    return name.split(".")[1].rpartition("_")[0] or "temperature"


def stamps(from_ms: int, to_ms: int, device: int, period_ms: int = 5_000) -> NDArray[np.int64]:
    """Return when a device was read: every period, some milliseconds early or late."""
    lots = np.random.default_rng(device * 7_919 + from_ms // 1_000 % 100_003)
    begin = from_ms + 20 + device * 127 % (period_ms - 200)
    at_ms = np.arange(begin, to_ms - 100, period_ms, dtype=np.int64)
    return at_ms + np.clip(lots.normal(0, 12, at_ms.size), -60, 60).astype(np.int64) + 60


def recorded(signals: dict[str, Signal], from_ms: int, to_ms: int) -> dict[str, Samples]:
    """Return a stretch of every signal as samples; fifty signals share a device and its times."""
    found = {}
    for number, (name, item) in enumerate(signals.items()):
        at_ms = stamps(from_ms, to_ms, number // 50, round(item.period_s * 1_000))
        values = course(kind_in(name), at_ms, number)
        quality = np.zeros(at_ms.size, np.uint8)
        reasons = ("",) * at_ms.size
        found[name] = Samples(at_ms, values, quality, reasons)
    return found


def batches(signals: dict[str, Signal], from_ms: int, to_ms: int) -> Iterator[Batch]:
    """Yield the same as it is polled: one batch per device and period, in order of time."""
    whole = recorded(signals, from_ms, to_ms)
    devices: dict[int, list[str]] = {}
    for number, name in enumerate(signals):
        devices.setdefault(number // 50, []).append(name)
    rows = []
    for device, names in devices.items():
        at_ms = whole[names[0]].at_ms.tolist()
        columns = [whole[name].values.tolist() for name in names]
        for place, at in enumerate(at_ms):
            rows.append((at, device, place, names, columns))
    for at, _, place, names, columns in sorted(rows, key=lambda row: row[:2]):
        readings = {
            name: Reading(column[place], Quality.GOOD, "", at) for name, column in zip(names, columns, strict=True)
        }
        yield Batch(at, readings)
