"""A small plant, a clock moved by hand and an engine, for tests of alarms."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from plantview.alarms import AlarmEngine, AlarmStore, Search, compile_rules
from plantview.alarms.journal import Entry
from plantview.clock import ManualClock
from plantview.errors import Problem
from plantview.model.device_event import DeviceEvent
from plantview.model.plant import Adapter, Device, Equipment, Plant
from plantview.model.point import BacnetAddress, ModbusAddress, Point
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading, bad, good
from plantview.units import unit

DEVICES = ("D-1", "D-2")
# name: quantity, unit, device, states
POINTS: dict[str, tuple[str, str, str, dict[int, str]]] = {
    "CH-1.chws_temp": ("temperature", "degF", "D-1", {}),
    "CH-1.setpoint": ("temperature", "degF", "D-1", {}),
    "CH-1.chw_flow": ("flow", "gpm", "D-1", {}),
    "CH-1.load_pct": ("percent", "%", "D-1", {}),
    "CH-1.status": ("state", "state", "D-2", {0: "OFF", 1: "RUN"}),
    "CH-1.fault": ("state", "state", "D-2", {0: "NORMAL", 1: "FAULT"}),
    "CH-1.mode": ("state", "state", "D-2", {0: "OFF", 1: "WAITING FOR FLOW", 3: "RUN"}),
    "CHWP-1.command": ("state", "state", "D-2", {0: "OFF", 1: "ON"}),
    "CHWP-1.status": ("state", "state", "D-2", {0: "OFF", 1: "RUN"}),
    "V-1.command": ("percent", "%", "D-2", {}),
    "V-1.position": ("percent", "%", "D-2", {}),
    "CT-1-FAN.status": ("state", "state", "D-2", {0: "OFF", 1: "RUN"}),
}
EQUIPMENT = {"CH-1": "chiller", "CHWP-1": "pump", "V-1": "valve", "CT-1": "tower_cell", "CT-1-FAN": "fan"}
LABELS = {
    "CH-1.chws_temp": "leaving chilled water (CHWS)",
    "CHWP-1.command": "start command",
    "CHWP-1.status": "run status",
}

FULL: dict[str, Any] = {
    "priority": 2,
    "class": "protection",
    "cause": "a cause",
    "consequence": "a consequence",
    "action": "an action",
    "time_to_respond_s": 3_600,
}
"""What makes a row an alarm."""


def row(alarm_id: str = "HI", **cells: Any) -> dict[str, Any]:
    """Return an alarm row: a high limit of 50 °F without delays, changed by ``cells`` (None takes a key out)."""
    kind = cells.get("type", "HI")
    plain: dict[str, Any] = {"id": alarm_id, "type": kind, "on_delay_s": 0, "off_delay_s": 0, **FULL}
    if kind in {"HI", "HIHI", "LO", "LOLO"}:
        plain |= {"point": "CH-1.chws_temp", "limit": "50 degF", "deadband": "0 degF"}
    cells = {"class" if key == "class_" else key: value for key, value in cells.items()}
    return {key: value for key, value in (plain | cells).items() if value is not None}


def small_plant(
    *rows: dict[str, Any], period_s: float = 1.0, units: str = "ip", bacnet: frozenset[str] = frozenset()
) -> Plant:
    """Return a plant of one chiller, one pump, one valve and one fan on two devices, Modbus ones or ``bacnet``."""
    points = {
        name: Point(
            name,
            name.split(".")[0],
            name.split(".")[1],
            quantity,
            unit(unit_name, quantity),
            device,
            BacnetAddress("analog-value", number)
            if device in bacnet
            else ModbusAddress("holding", number, "int16", "", 1.0, 0.0, ()),
            period_s,
            states,
            -1e9,
            1e9,
            LABELS.get(name, name),
            "",
            commandable=False,
        )
        for number, (name, (quantity, unit_name, device, states)) in enumerate(POINTS.items())
    }
    return Plant(
        "small",
        "Small plant",
        "UTC",
        0.0,
        units,
        simulated=True,
        loops={},
        equipment={
            name: Equipment(name, kind, name, "CT-1" if kind == "fan" else "", "", {}, {})
            for name, kind in EQUIPMENT.items()
        },
        devices={
            name: Device(
                name, "bacnet" if name in bacnet else "modbus", "127.0.0.1", 1, 1, period_s, 1.0, f"panel {name}"
            )
            for name in DEVICES
        },
        points=points,
        actuators={},
        bacnet=Adapter("", 0),
        alarms=tuple({**cells, "line": 10 * number, "file": "plant.toml"} for number, cells in enumerate(rows, 1)),
        simulation={},
        folder="",
    )


def problems_of(*rows: dict[str, Any]) -> list[Problem]:
    """Return the problems of rows, without the reminder that nobody watches the devices."""
    return [problem for problem in compile_rules(small_plant(*rows), {})[1] if not problem.place.startswith("devices")]


class HandClock(ManualClock):
    """A clock that a test without an event loop moves."""

    def go_to(self, monotonic_s: float) -> None:
        self._move(monotonic_s)


class Rig:
    """One engine on the small plant; times are seconds since its start."""

    def __init__(
        self,
        *rows: dict[str, Any],
        folder: Path | None = None,
        clock: HandClock | None = None,
        bacnet: frozenset[str] = frozenset(),
    ) -> None:
        self.rows, self.folder, self.bacnet = rows, folder, bacnet
        self.events: dict[str, tuple[DeviceEvent, ...]] = {}
        """What each device has in alarm itself."""
        self.clock = clock or HandClock()
        self.readings: dict[str, Reading] = {}
        self.silent: dict[str, str] = {}
        self.entries: list[Entry] = []
        self._frames = 0
        self.engine = self._start()

    def _start(self) -> AlarmEngine:
        rules, problems = compile_rules(small_plant(*self.rows, bacnet=self.bacnet), {})
        assert [problem for problem in problems if "warning" not in problem.remedy] == []
        self.store = AlarmStore(self.folder, self.clock)
        return AlarmEngine(rules, self.clock, self.store)

    def restart(self, *rows: dict[str, Any]) -> None:
        """Start anew on the same data folder as after a kill, with other rows if some are given."""
        self.store._disconnect()
        self.rows = rows or self.rows
        self.readings.clear()
        self.events.clear()
        self.engine = self._start()

    def set(self, name: str, value: float | None) -> None:
        """Let a point read ``value``, or BAD with None."""
        at_ms = self.clock.now_ms()
        self.readings[name] = bad("sensor open", at_ms) if value is None else good(value, at_ms)

    def doubt(self, name: str, value: float) -> None:
        """Let a point read ``value``, which is not quite to be trusted."""
        self.readings[name] = Reading(value, Quality.UNCERTAIN, "in hand", self.clock.now_ms())

    def scan(self, at_s: float | None = None, stamps: dict[str, int] | None = None, **values: float | None) -> None:
        """Move the clock and let the engine look once; ``temp=51`` sets the leaving temperature."""
        if at_s is not None:
            self.clock.go_to(at_s)
        for name, value in values.items():
            self.set({"temp": "CH-1.chws_temp", "status": "CH-1.status", "fault": "CH-1.fault"}[name], value)
        self._frames += 1
        frame = Frame(self._frames, self.clock.now_ms(), dict(self.readings))
        self.entries += self.engine.evaluate(frame, self.silent, stamps, self.events)

    def state(self, alarm_id: str = "HI") -> str:
        """Return where an alarm stands."""
        return self.engine._lives[alarm_id].kept.state.value

    def annunciated(self, alarm_id: str = "HI") -> list[float]:
        """Return the seconds at which an alarm called."""
        return [
            (line["at_ms"] - 1_764_000_000_000) / 1_000
            for line in self.lines()
            if line["annunciated"] and line["alarm"] == alarm_id
        ]

    def lines(self) -> list[dict[str, Any]]:
        """Return the whole journal, oldest first, with what began and ceased to apply."""
        return self.engine.journal(1_000, None, Search(by_design=True))[::-1]

    def kinds(self, alarm_id: str = "HI") -> list[str]:
        """Return the journal words of an alarm, oldest first."""
        return [line["kind"] for line in self.lines() if line["alarm"] == alarm_id]
