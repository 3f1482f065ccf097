"""A field process made of numbers: serves the channel for one plant without polling anything."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from plantview.alarms.advice import advice
from plantview.alarms.figures import DAY_MS, figures
from plantview.channel.server import ChannelServer
from plantview.errors import IllegalTransition
from plantview.model.plant import Plant
from plantview.model.signal import Signal, signal_of
from plantview.units import unit

START_MS = 1_790_000_000_000

DERIVED: tuple[tuple[str, str, str, str], ...] = (
    ("PLANT.kw_per_ton", "efficiency", "kW/ton", "plant efficiency"),
    ("PLANT.cooling_load", "heat_flow", "kW", "cooling load"),
    ("PLANT.power_input", "power", "kW", "power input"),
    ("PLANT.chw_delta_t", "temperature_difference", "K", "chilled water difference"),
    ("PLANT.tower_approach", "temperature_difference", "K", "tower approach"),
    ("PLANT.wet_bulb", "temperature", "degC", "wet bulb"),
)
INPUTS = {"PLANT.kw_per_ton": ("PLANT.power_input", "PLANT.cooling_load")}
TYPICAL = {
    "temperature": 12.0,
    "temperature_difference": 5.5,
    "flow": 90.0,
    "pressure_difference": 150.0,
    "percent": 62.0,
    "power": 210.0,
    "heat_flow": 3400.0,
    "efficiency": 0.712,
    "humidity": 48.0,
}


def derived_signals() -> dict[str, Signal]:
    """Return a few derived values as the field process would announce them."""
    return {
        name: Signal(
            name,
            "PLANT",
            name.partition(".")[2],
            quantity,
            unit(reported, quantity),
            label,
            {},
            15.0,
            "",
            "",
            INPUTS.get(name, ()),
            "chillers, pumps and tower fans",
        )
        for name, quantity, reported, label in DERIVED
    }


def signal_row(signal: Signal) -> dict[str, Any]:
    """Return a signal as ``hello`` carries it."""
    return {
        "name": signal.name,
        "equipment": signal.equipment,
        "measurement": signal.measurement,
        "quantity": signal.quantity,
        "unit": signal.unit.name,
        "label": signal.label,
        "states": {str(n): word for n, word in signal.states.items()},
        "period_s": signal.period_s,
        "device": signal.device,
        "address": signal.address,
        "inputs": list(signal.inputs),
        "note": signal.note,
    }


class FakeField:
    """Values follow from a beat number, so a test knows them; ``beat`` publishes the next frame."""

    def __init__(self, plant: Plant, path: Path) -> None:
        self.plant = plant
        self.signals = {**{name: signal_of(point) for name, point in plant.points.items()}, **derived_signals()}
        self.channel = ChannelServer(path)
        self.channel.full_frame = lambda: self.frame(full=True)
        self.number = 0
        self.now_ms = START_MS
        self.override: dict[str, list[Any]] = {}
        self.acknowledged: list[dict[str, Any]] = []
        self.journal: list[dict[str, Any]] = []
        self.active: list[dict[str, Any]] = []
        for what, answer in (
            ("range", self._range),
            ("journal", self._journal),
            ("acknowledge", self._acknowledge),
            ("alarm_figures", self._figures),
            ("notices", self._notices),
            ("findings", self._findings),
        ):
            self.channel.register(what, answer)

    def hello(self) -> dict[str, Any]:
        """Return the first message."""
        return {
            "plant_id": self.plant.id,
            "name": self.plant.name,
            "now_ms": self.now_ms,
            "speed": 1.0,
            "simulated": self.plant.simulated,
            "started_ms": START_MS,
            "version": "0",
            "unbound": {},
            "signals": [signal_row(signal) for signal in self.signals.values()],
        }

    def reading(self, signal: Signal, number: int) -> list[Any]:
        """Return the reading of a signal at a beat."""
        if signal.name in self.override:
            return self.override[signal.name]
        if signal.states:
            return [float(max(signal.states)), 0, "", self.now_ms]
        typical = TYPICAL.get(signal.quantity, 50.0)
        value = typical * (1 + 0.03 * math.sin(number / 7 + len(signal.name)))
        return [signal.unit.from_canonical(value), 0, "", self.now_ms]

    def frame(self, *, full: bool, names: Iterable[str] | None = None) -> dict[str, Any]:
        """Return a frame message of all signals, or of some."""
        chosen = self.signals if names is None else names
        return {
            "seq": self.number,
            "now_ms": self.now_ms,
            "full": full,
            "readings": {name: self.reading(self.signals[name], self.number) for name in chosen},
            "conditions": {item.id: ["run", "RUN", "", False] for item in self.plant.equipment.values()}
            if full
            else {},
            "flows": {},
        }

    def alarms(self) -> dict[str, Any]:
        """Return the alarm message."""
        return {"seq": self.number, "active": self.active}

    def health(self) -> dict[str, Any]:
        """Return the health message."""
        devices = [
            {
                "id": item.id,
                "label": item.label,
                "protocol": item.protocol,
                "address": item.address,
                "unit": item.unit,
                "state": "answering",
                "last_error": "",
                "last_answer_ms": self.now_ms,
                "cycle_ms": 42,
                "requests": self.number,
                "failures": {},
                "skipped": 0,
                "exchanges": [{"at_ms": self.now_ms, "sent": "00", "received": "00", "outcome": "ok"}],
            }
            for item in self.plant.devices.values()
        ]
        return {"now_ms": self.now_ms, "started_ms": START_MS, "devices": devices, "silent": []}

    def greet(self) -> None:
        """Publish what a subscriber gets at the start."""
        self.channel.publish("hello", self.hello())
        self.channel.publish("alarms", self.alarms())
        self.channel.publish("health", self.health())

    def beat(self, names: Iterable[str] | None = None) -> None:
        """Publish the next frame, one second later."""
        self.number += 1
        self.now_ms += 1_000
        self.channel.publish("frame", self.frame(full=False, names=names))

    async def _range(self, body: dict[str, Any]) -> dict[str, Any]:
        signal = self.signals[body["point"]]
        at_ms = list(range(max(body["from_ms"], body["to_ms"] - 3_600_000), body["to_ms"], 15_000))
        values = [self.reading(signal, at // 15_000)[0] for at in at_ms]
        gap = slice(len(values) // 2, len(values) // 2 + 12)
        values[gap] = [None] * len(values[gap])
        quality = [3 if value is None else 0 for value in values]
        return {
            "point": signal.name,
            "at_ms": at_ms,
            "values": values,
            "quality": quality,
            "reasons": [""] * len(values),
        }

    async def _findings(self, _body: dict[str, Any]) -> dict[str, Any]:
        last = {"at_ms": self.now_ms, "laws": 72, "judged": 54, "broken": 0, "took_ms": 24.0}
        offsets = {"caution": "by a thermometer", "rows": [], "thermometer": [], "compared": []}
        nothing: dict[str, Any] = {name: [] for name in ("open", "decided", "past")}
        return {
            **nothing,
            "now_ms": self.now_ms,
            "caution": "the manual first",
            "last": last,
            "trouble": "",
            "offsets": offsets,
        }

    async def _figures(self, body: dict[str, Any]) -> dict[str, Any]:
        found = figures([], self.now_ms - round(body["days"] * DAY_MS), self.now_ms)
        return {**found, "rows": advice(found)}

    async def _notices(self, _body: dict[str, Any]) -> dict[str, Any]:
        return {"receivers": [], "problems": []}

    async def _journal(self, body: dict[str, Any]) -> dict[str, Any]:
        wanted = range(body.get("from_ms", 0), body.get("to_ms") or 2**62)
        before = body.get("before") or 2**62
        rows = [row for row in self.journal if row.get("at_ms", 0) in wanted and row.get("seq", 0) < before]
        return {"rows": rows[: body["limit"]]}

    async def _acknowledge(self, body: dict[str, Any]) -> dict[str, Any]:
        row = next((row for row in self.active if row["id"] == body["alarm"]), None)
        if row is None or row["acked"]:
            raise IllegalTransition(f"alarm '{body['alarm']}' is acknowledged already")
        row.update(acked=True, acked_by=body["person"])
        self.acknowledged.append(body)
        self.channel.publish("alarms", self.alarms())
        return self.alarms()
