"""``[writes]`` in plant.toml and the allow-list ``writes.toml`` beside it: what may be written, how far and how fast.

schema = 1

[[setpoints]]
point = "chw-supply.setpoint"
low = "42 degF"                 # range of what may be ordered
high = "50 degF"
max_step = "2 degF"             # by one command
max_change = "4 degF"           # all commands of 10 minutes together
per_hour = 6
priority = 8                    # BACnet, 8 to 15; 16 only with lowest_priority = true
lease_h = 2                     # then it is released by itself; at most 24
tolerance = "1 degF"            # how far the value may have moved since it was looked at
critical = true                 # the equipment's name must be typed
needs = ["any chiller runs"]    # conditions in the words of alarm rows, known to be true
effect = "CH-1.active_setpoint" # what must follow, within effect_s

[[starts]]                      # count only with [writes] starts = true in plant.toml
point = "CWP-1.command"
witnessed = "J. Berger, 2026-04-02"
restart_min = 20                # a chiller without a point restart_time_left: how long it must have stood
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import Field

from plantview.config.positions import Positions
from plantview.config.problems import Problems, Strict, near
from plantview.config.schema import SCHEMA
from plantview.errors import Problem
from plantview.model.permit import LEASE_MAX_S, LEASE_S, SETPOINT, START, Permit, Writes
from plantview.model.plant import Device, Equipment, Loop
from plantview.model.point import BacnetAddress, ModbusAddress, Point
from plantview.units import UnknownUnit, unit

FILE: Final = "writes.toml"
RESTART_LEFT: Final = "restart_time_left"
"""The measurement by which a chiller itself says how long it still has to stand."""
LISTS: Final = {"setpoints": SETPOINT, "starts": START}
OBJECT_TYPES: Final = frozenset(
    {"analog-output", "analog-value", "binary-output", "binary-value", "multi-state-output", "multi-state-value"}
)
"""Object types whose present value may be listed; all others are refused, whatever they are."""
REGISTER_TYPES: Final = frozenset(
    {"uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64"}
)  # a bit or a text shares its register with others
TABLES: Final = frozenset({"holding", "coil"})
PERMITS_MAX: Final = 500
CHW_SETPOINT_LEAST_C: Final = 3.3
"""Lowest chilled water setpoint that may be listed for plain water (38 °F; common practice, no source)."""
_PRIORITIES: Final = range(8, 16)
_LOWEST: Final = 16


class WritesTable(Strict):
    """``[writes]``."""

    enabled: bool = False
    starts: bool = False
    at_stop: Literal["release", "keep"] = "release"
    anchor: str = ""


class PermitTable(Strict):
    """A row of ``[[setpoints]]`` or ``[[starts]]``."""

    point: str
    low: str = ""
    high: str = ""
    max_step: str = ""
    max_change: str = ""
    tolerance: str = ""
    per_hour: int = Field(default=6, ge=1, le=60)
    priority: int = Field(default=8, ge=1, le=16)
    lowest_priority: bool = False
    lease_h: float = Field(default=LEASE_S / 3_600, gt=0, le=LEASE_MAX_S / 3_600)
    critical: bool = True
    two_people: bool = False
    hold_to_run: bool = False
    needs: list[str] = Field(default_factory=list, max_length=20)
    effect: str = ""
    effect_s: float = Field(default=60.0, gt=0, le=3_600)
    function: Literal[0, 5, 6, 16] = 0
    witnessed: str = Field(default="", max_length=120)
    restart_min: float = Field(default=0.0, ge=0, le=240)


def read_writes(
    folder: Path, raw: Mapping[str, Any], points: Mapping[str, Point], devices: Mapping[str, Device],
    equipment: Mapping[str, Equipment], chilled: Collection[str], problems: Problems, listed: list[Problem],
) -> Writes:  # fmt: skip
    """Return what may be written; problems of plant.toml are noted in ``problems``, those of the allow-list in ``listed``.

    ``chilled`` are chillers and headers whose water is plain: their setpoint must keep clear of ice.
    """
    table = problems.parse(WritesTable, raw.get("writes", {}), ("writes",)) or WritesTable()
    rows = _Rows(folder / FILE, points, devices, equipment, chilled, starts=table.starts)
    if table.enabled and not rows.permits and not rows.problems.found:
        why = "lists nothing that counts" if rows.exists else "is missing"
        problems.add(
            ("writes", "enabled"), f"writing is enabled, but {FILE} {why}", f"list points in {FILE}, or remove enabled"
        )
    listed += rows.problems.found
    return Writes(table.enabled, False, table.starts, table.at_stop, table.anchor, rows.permits)


def chilled_water(equipment: Mapping[str, Equipment], loops: Mapping[str, Loop]) -> frozenset[str]:
    """Return the chillers and headers whose chilled water is plain."""
    plain = [loop for loop in loops.values() if loop.water == "chilled" and loop.fluid == "water"]
    headers = {header for loop in plain for header in loop.headers}
    chillers = {port.equipment for loop in plain for stage in loop.stages_of("chiller") for port in stage.ports()}
    return frozenset(headers | (chillers & equipment.keys()))


class _Rows:
    """The allow-list as far as it could be read."""

    def __init__(
        self, file: Path, points: Mapping[str, Point], devices: Mapping[str, Device],
        equipment: Mapping[str, Equipment], chilled: Collection[str], *, starts: bool,
    ) -> None:  # fmt: skip
        self._points, self._devices, self._equipment, self._chilled = points, devices, equipment, chilled
        self.permits: dict[str, Permit] = {}
        self.exists = file.exists()
        text, why = _text(file) if self.exists else ("", "")
        self.problems = Problems(str(file), Positions(text) if text else None)
        if why:
            self.problems.add((), f"cannot be read: {why}", "correct the file")
        if not text:
            return
        raw = tomllib.loads(text)
        for key in raw.keys() - {"schema", *LISTS}:
            self.problems.add((key,), f"unknown key '{key}'", near(key, ("schema", *LISTS)))
        if raw.get("schema") != SCHEMA:
            self.problems.add(
                ("schema",), "the first line must say which schema the file follows", f"write schema = {SCHEMA}"
            )
        for name, act in LISTS.items():
            self._list(name, act, raw.get(name, []), counts=starts or act == SETPOINT)

    def _list(self, name: str, act: str, rows: object, *, counts: bool) -> None:
        if not isinstance(rows, list):
            self.problems.add((name,), "is not a list of tables", f"write each point under [[{name}]]")
            return
        seen: set[str] = set()
        for index, row in enumerate(rows[:PERMITS_MAX]):
            path = (name, index)
            table = self.problems.parse(PermitTable, row, path)
            permit = None if table is None else self._permit(table, act, path)
            if permit is None:
                continue
            if permit.point in seen or permit.point in self.permits:
                self.problems.add((*path, "point"), f"{permit.point} is listed twice", "keep one row")
            seen.add(permit.point)
            if counts:
                self.permits[permit.point] = permit

    def _permit(self, table: PermitTable, act: str, path: tuple[str, int]) -> Permit | None:
        point = self._points.get(table.point)
        before = len(self.problems.found)
        if point is None:
            self._wrong(path, "point", f"no point '{table.point}'", near(table.point, self._points))
            return None
        self._check_point(point, act, path)
        if len(self.problems.found) > before:
            return None
        self._check_row(table, act, point, path)
        low, high = self._range(table, point, path)
        step, change = (self._span(table, key, point, path, math.inf) for key in ("max_step", "max_change"))
        tolerance = self._span(table, "tolerance", point, path, 0.0)
        if len(self.problems.found) > before:
            return None
        return Permit(
            point.name, act, low, high, step, change, table.per_hour, table.priority, table.lease_h * 3_600, tolerance,
            table.critical, table.two_people, table.hold_to_run, tuple(table.needs), table.effect, table.effect_s,
            table.function, table.witnessed, table.restart_min * 60,
        )  # fmt: skip

    def _check_point(self, point: Point, act: str, path: tuple[str, int]) -> None:
        if not point.commandable:
            self._wrong(path, "point", f"{point.name} is measured; it is never written", "list a setpoint or a command")
        if act == SETPOINT and (point.states or point.quantity == "percent"):
            self._wrong(path, "point", f"{point.name} moves a machine at once", "list it under [[starts]]")
        address, device = point.address, self._devices[point.device]
        if isinstance(address, BacnetAddress) and address.object_type not in OBJECT_TYPES:
            self._wrong(path, "point", f"a {address.object_type} is never written", "remove the row")
        if isinstance(address, ModbusAddress) and not (
            address.table == "coil"
            or (address.table in TABLES and address.kind in REGISTER_TYPES and address.scale_register is None)
        ):
            self._wrong(path, "point", f"{address} ({address.kind}) cannot be written as a whole", "remove the row")
        if device.framer != "tcp":
            self._wrong(
                path, "point", f"{device.id} is reached by serial frames, which two cannot share", "remove the row"
            )

    def _check_row(self, table: PermitTable, act: str, point: Point, path: tuple[str, int]) -> None:
        if table.priority not in _PRIORITIES and not (table.priority == _LOWEST and table.lowest_priority):
            self._wrong(path, "priority", f"priority {table.priority} is never written", "use 8 to 15")
        if act == START and not table.witnessed.strip():
            self._wrong(
                path, "witnessed", "a start is listed that nobody has seen work on site",
                'try it beside the machine, then write witnessed = "name, date"',
            )  # fmt: skip
        enable = (self._kind(point), point.measurement) == ("chiller", "enable")
        if act == START and enable and not (table.restart_min or f"{point.equipment}.{RESTART_LEFT}" in self._points):
            self._wrong(
                path, "restart_min", f"nothing says how long {point.equipment} must stand before it starts again",
                "write restart_min from the machine's manual",
            )  # fmt: skip
        if table.effect and table.effect not in self._points and table.effect.count(".") != 1:
            self._wrong(path, "effect", f"no signal '{table.effect}'", near(table.effect, self._points))
        for key in ("max_step", "max_change", "tolerance"):
            if not point.states and not getattr(table, key):
                self._wrong(path, key, f"key '{key}' is missing", f'add {key} = "…" with its unit')

    def _range(self, table: PermitTable, point: Point, path: tuple[str, int]) -> tuple[float, float]:
        if point.states:
            return float(min(point.states)), float(max(point.states))
        low = self._amount(table, "low", point, path)
        high = self._amount(table, "high", point, path)
        if low is None or high is None:
            return math.nan, math.nan
        if not low < high or low < point.low or high > point.high:
            self._wrong(path, "low", "the range is empty, or reaches beyond that of the point", "correct low and high")
        chilled = point.quantity == "temperature" and point.equipment in self._chilled
        least = point.unit.from_canonical(CHW_SETPOINT_LEAST_C)
        if chilled and low < least:
            self._wrong(
                path, "low", f"water below {least:.1f} {point.unit.label} may freeze in an evaporator", "raise low"
            )
        if point.measurement == "speed_command":
            self._check_floor(point, low, path)
        return low, high

    def _check_floor(self, point: Point, low: float, path: tuple[str, int]) -> None:
        least = self._equipment[point.equipment].design.get("min_speed")
        if least is None or low < point.unit.from_canonical(least):
            said = "nothing says" if least is None else f"{point.unit.from_canonical(least):g} {point.unit.label} is"
            self._wrong(
                path, "low", f"{said} the lowest speed of {point.equipment}",
                "describe min_speed of the machine in plant.toml, and keep low above it",
            )  # fmt: skip

    def _kind(self, point: Point) -> str:
        item = self._equipment.get(point.equipment)
        return "" if item is None else item.kind

    def _amount(self, table: PermitTable, key: str, point: Point, path: tuple[str, int]) -> float | None:
        number = self._number(table, key, point, path)
        return None if number is None else float(f"{point.unit.from_canonical(number[1].to_canonical(number[0])):.12g}")

    def _span(self, table: PermitTable, key: str, point: Point, path: tuple[str, int], otherwise: float) -> float:
        if not getattr(table, key):
            return otherwise
        number = self._number(table, key, point, path)
        if number is None or number[0] <= 0:
            self._wrong(path, key, f"'{getattr(table, key)}' is no difference above 0", 'write it like "2 degF"')
            return otherwise
        return float(f"{number[0] * number[1].factor / point.unit.factor:.12g}")

    def _number(self, table: PermitTable, key: str, point: Point, path: tuple[str, int]) -> tuple[float, Any] | None:
        text = str(getattr(table, key))
        number, _, name = text.strip().partition(" ")
        try:
            value = float(number)
            found = unit(name.strip(), point.quantity)
        except (ValueError, UnknownUnit):
            value, found = math.nan, None
        if found is None or not math.isfinite(value):
            self._wrong(path, key, f"'{text}' is no number with a unit of {point.quantity}", 'write it like "44 degF"')
            return None
        return value, found

    def _wrong(self, path: tuple[str, int], key: str, wrong: str, remedy: str) -> None:
        self.problems.add((*path, key), wrong, remedy)


def _text(file: Path) -> tuple[str, str]:
    """Return the text of a file that is valid TOML, or why it cannot be had."""
    try:
        text = file.read_text(encoding="utf-8")
        tomllib.loads(text)
    except (OSError, ValueError) as error:
        return "", str(error)
    return text, ""
