"""A plant of two points, one on each protocol, its commands, and equipment that is either simulated or a plain record."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from plantview.audit import AuditBook
from plantview.clock import Clock, ManualClock
from plantview.commands import Desk
from plantview.commands.ledger import Ledger
from plantview.commands.site import Site
from plantview.commands.targets import Targets
from plantview.drivers.look import Look
from plantview.errors import DeviceSilent
from plantview.model.permit import SETPOINT, Permit, Writes
from plantview.model.person import Person, Role
from plantview.model.plant import Adapter, Device, Equipment, Plant
from plantview.model.point import BacnetAddress, ModbusAddress, Point
from plantview.model.reading import Frame, Reading, good
from plantview.model.signal import signal_of
from plantview.units import unit

START_MS = 1_764_000_000_000
TECH = Person("jd", Role.TECHNICIAN, "session-jd", "127.0.0.1")
LEAD = Person("mk", Role.LEAD, "session-mk", "127.0.0.1")
OTHER = Person("ab", Role.TECHNICIAN, "session-ab", "127.0.0.1")
VIEWER = Person("guest", Role.VIEWER, "session-guest", "127.0.0.1")
OPERATOR = Person("op", Role.OPERATOR, "session-op", "127.0.0.1")
ADMIN = Person("root", Role.ADMIN, "session-root", "127.0.0.1")
REASON = "raise it for the night"

BACNET = "chw-supply.setpoint"
MODBUS = "CH-1.setpoint"
START = "CWP-1.command"


def permit(point: str, **changes: Any) -> Permit:
    base = Permit(
        point, SETPOINT, 40.0, 50.0, 2.0, 4.0, 6, 8, 7_200.0, 1.0, False, False, False, (), "", 60.0, 0, "",
    )  # fmt: skip
    return replace(base, **changes)


def plant_of_two(bacnet_port: int = 1, modbus_port: int = 2, **writes: Any) -> Plant:
    """Return a plant with a BACnet setpoint, a Modbus setpoint and a pump command."""
    devices = {
        "BC-1": Device("BC-1", "bacnet", "127.0.0.1", bacnet_port, 4_711, 5.0, 0.5, "controller"),
        "PANEL": Device("PANEL", "modbus", "127.0.0.1", modbus_port, 1, 5.0, 0.5, "panel"),
    }
    degf, state = unit("degF", "temperature"), unit("state", "state")
    points = [
        Point(BACNET, "chw-supply", "setpoint", "temperature", degf, "BC-1", BacnetAddress("analog-value", 1), 5.0, {},
              -58.0, 392.0, "setpoint", "", commandable=True),
        Point(MODBUS, "CH-1", "setpoint", "temperature", degf, "PANEL", ModbusAddress("holding", 0, "int16", "ABCD", 0.1, 0.0, ()),
              5.0, {}, -58.0, 392.0, "setpoint", "", commandable=True),
        Point(START, "CWP-1", "command", "state", state, "BC-1", BacnetAddress("binary-output", 1), 5.0,
              {0: "OFF", 1: "ON"}, 0.0, 1.0, "start command", "", commandable=True),
        Point("CH-1.chw_flow_proof", "CH-1", "chw_flow_proof", "state", state, "BC-1", BacnetAddress("binary-input", 1), 5.0,
              {0: "NO FLOW", 1: "FLOW"}, 0.0, 1.0, "proof", "", commandable=False),
    ]  # fmt: skip
    permits = {
        BACNET: permit(BACNET), MODBUS: permit(MODBUS),
        START: permit(START, act="start", low=0.0, high=1.0, most_step=math.inf, most_change=math.inf, witnessed="jd"),
    }  # fmt: skip
    kinds = {"CH-1": "chiller", "CWP-1": "pump"}
    equipment = {name: Equipment(name, kind, name, "", "", {}, {}) for name, kind in kinds.items()}
    return Plant(
        "two", "Two", "UTC", 0.0, "ip", True, {}, equipment, devices, {point.name: point for point in points}, {},
        Adapter("127.0.0.1/8", 0), (), {}, "", writes=Writes(enabled=True, starts=True, permits=permits, **writes),
    )  # fmt: skip


@dataclass
class Record:
    """Equipment as a plain record: slots or one sticky value per point, and every packet that arrived."""

    slots: dict[str, list[float | None]] = field(default_factory=dict)
    sticky: dict[str, float] = field(default_factory=dict)
    default: dict[str, float] = field(default_factory=dict)
    extra: dict[str, dict[str, Any]] = field(default_factory=dict)
    """By point: what a look shows besides."""
    packets: list[tuple[str, float | None, int | None]] = field(default_factory=list)
    functions: list[int] = field(default_factory=list)
    """Modbus function of each packet."""
    looks: int = 0
    silent: set[str] = field(default_factory=set)
    """Devices that hear and do not answer."""
    deaf: set[str] = field(default_factory=set)
    """Devices that neither hear nor answer, yet nobody knows."""
    fails: list[Exception] = field(default_factory=list)
    """What the next packets end in, before anything is done."""
    before: Callable[[str], None] = lambda _: None
    """Called at each border: a test may crash there."""

    async def look(self, point: Point) -> Look:
        self.before(f"look {point.name}")
        self.looks += 1
        self._answer(point)
        extra = self.extra.get(point.name, {})
        if point.name in self.sticky:
            value = self.sticky[point.name]
            return Look(**{"value": value, "raw": (round(value * 10),), **extra})
        slots = self.slots[point.name]
        now = next((held for held in slots if held is not None), self.default[point.name])
        shown: dict[str, Any] = {"value": now, "slots": tuple(slots), "relinquish_default": self.default[point.name]}
        shown |= {"units": "degrees-fahrenheit"} if not point.states else {}
        return Look(**{**shown, **extra})

    async def slots_of(self, point: Point) -> tuple[float | None, ...] | None:
        self._answer(point)
        return tuple(self.slots[point.name]) if point.name in self.slots else None

    async def put(self, point: Point, value: float | None, priority: int | None, function: int = 0) -> None:
        self.before(f"put {point.name}")
        if self.fails:
            raise self.fails.pop(0)
        self.packets.append((point.name, value, priority))
        self.functions.append(function)
        if point.device not in self.deaf:
            if point.name in self.sticky:
                assert value is not None
                self.sticky[point.name] = value
            else:
                assert priority is not None
                self.slots[point.name][priority - 1] = value
        self.before(f"put done {point.name}")
        self._answer(point)

    def _answer(self, point: Point) -> None:
        if point.device in self.silent | self.deaf:
            raise DeviceSilent(point.device, "no answer in 0.4 s")

    def writes(self, point: str) -> list[float | None]:
        return [value for name, value, _ in self.packets if name == point]


class _Plain:
    """The record behind the names that commands use."""

    def __init__(self, record: Record) -> None:
        self.look, self.put, self.slots = record.look, record.put, record.slots_of


def record() -> Record:
    """Return the equipment of ``plant_of_two`` at rest: 44 °F, nothing held."""
    return Record(
        {BACNET: [None] * 16, START: [None] * 16}, {MODBUS: 44.0}, {BACNET: 44.0, START: 0.0},
    )  # fmt: skip


class Rig:
    """One desk over one plant; ``again`` starts it anew in the same folder, as after a crash."""

    def __init__(
        self, folder: Path, equipment: Record | Targets, plant: Plant | None = None, clock: Clock | None = None
    ) -> None:
        self.folder, self.equipment = folder, equipment
        self.plant = plant if plant is not None else plant_of_two()
        self.manual = ManualClock(START_MS)
        self.clock: Clock = clock if clock is not None else self.manual
        self.readings: dict[str, Reading] = {}
        self.signals = {name: signal_of(point) for name, point in self.plant.points.items()}
        self.quiet: Mapping[str, float] = {BACNET: 44.0, MODBUS: 44.0, START: 0.0, "CH-1.chw_flow_proof": 1.0}
        self.start()

    def start(self) -> None:
        targets = _Plain(self.equipment) if isinstance(self.equipment, Record) else self.equipment
        self.ledger, self.audit = Ledger(self.folder), AuditBook(self.folder, self.clock)
        self.desk = Desk(Site(self.plant, self.clock, self.signals, self.frame, targets, self.ledger, self.audit))

    def frame(self) -> Frame:
        now_ms = self.clock.now_ms()
        return Frame(1, now_ms, {name: good(value, now_ms) for name, value in self.quiet.items()} | self.readings)

    async def arm(self, equipment: str, person: Person = TECH, **more: Any) -> dict[str, Any]:
        body = {"equipment": equipment, "reason": REASON, "confirmed": True, **more}
        return await self.desk.act("arm", person, body)

    async def stage(self, point: str, value: Any, person: Person = TECH, **more: Any) -> dict[str, Any]:
        body = {
            "point": point,
            "value": value,
            "unit": self.plant.points[point].unit.name if point in self.plant.points else "",
        }
        return await self.desk.act("stage", person, {**body, **more})

    async def commit(self, staged: Mapping[str, Any], person: Person = TECH, **more: Any) -> dict[str, Any]:
        body = {name: staged[name] for name in ("token", "point", "value", "priority")}
        return await self.desk.act("commit", person, {**body, "typed": staged["equipment"], **more})

    async def write(self, point: str, value: float, person: Person = TECH, **more: Any) -> dict[str, Any]:
        """Arm, stage and commit; the human second passes."""
        if self.desk.arms.get(self.plant.points[point].equipment) is None:
            await self.arm(self.plant.points[point].equipment, person)
        staged = await self.stage(point, value, person, **more)
        self.pass_s(1.5)
        return await self.commit(staged, person)

    def pass_s(self, seconds: float) -> None:
        """Let time pass on the manual clock; nobody sleeps on it here."""
        self.manual._move(self.manual.monotonic_s() + seconds)

    async def tick(self, *seconds: float) -> None:
        for one in seconds or (0.0,):
            self.pass_s(one)
            await self.desk.tick()

    def row(self, point: str) -> dict[str, Any]:
        return [row for row in self.desk.keeper.rows() if row["point"] == point][-1]

    def told(self) -> list[dict[str, Any]]:
        """Return the audit's lines."""
        import orjson

        from plantview.audit.chain import lines

        return [orjson.loads(line) for _, line in lines(self.folder)]

    def rules(self) -> list[str]:
        """Return the rules by which something was refused."""
        return [row["rule"] for row in self.told() if "rule" in row]
