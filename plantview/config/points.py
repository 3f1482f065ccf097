"""``points.csv``: the point list, one row per point, as any spreadsheet opens it."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final

from plantview.config.accuracies import AccuracyProblem, read_accuracy, unmatched
from plantview.config.addresses import BACNET_TYPES, AddressProblem, bacnet_address
from plantview.config.problems import Problems, near
from plantview.config.registers import modbus_address
from plantview.model.accuracy import UNKNOWN, Accuracy, assumed
from plantview.model.measurements import MEASUREMENTS, Measurement, measurement
from plantview.model.plant import Device, Equipment, Loop
from plantview.model.point import BacnetAddress, ModbusAddress, Point
from plantview.units import Unit, UnknownUnit, unit

__all__ = ["BACNET_TYPES", "read_points"]

COLUMNS: Final = (
    "equipment",
    "measurement",
    "device",
    "address",
    "type",
    "order",
    "scale",
    "offset",
    "unit",
    "states",
    "low",
    "high",
    "na",
    "over",
    "under",
    "scale_register",
    "cov",
    "trend_log",
    "period_s",
    "accuracy",
    "correction",
    "description",
)
FOREIGN: Final = {"bacnet": ("over", "under", "scale_register"), "modbus": ("cov", "trend_log")}
"""Columns that mean nothing to a protocol: a filled cell there is a mistake, not a wish that is passed over."""
CORRECTION_MAX: Final = {
    "temperature": 2.5,
    "pressure_gauge": 30.0,
    "pressure_absolute": 30.0,
    "pressure_difference": 30.0,
}
"""Largest accepted offset in canonical units (our own choice); beyond it the sensor is not right at all."""
REQUIRED: Final = ("equipment", "measurement", "device", "address")
POINTS_MAX: Final = 20_000

PLAUSIBLE: Final[dict[str, tuple[float, float]]] = {
    "temperature": (-60.0, 200.0),
    "temperature_difference": (-100.0, 100.0),
    "flow": (-5.0, 50_000.0),
    "pressure_absolute": (0.0, 10_000.0),
    "pressure_gauge": (-101.4, 10_000.0),
    "pressure_difference": (-2_000.0, 5_000.0),
    "power": (-100.0, 50_000.0),
    "heat_flow": (-200_000.0, 200_000.0),
    "percent": (-5.0, 150.0),
    "humidity": (0.0, 105.0),
    "frequency": (0.0, 400.0),
    "current": (0.0, 20_000.0),
    "voltage": (0.0, 50_000.0),
    "velocity": (0.0, 200.0),
    "conductivity": (0.0, 50_000.0),
    "length": (-20.0, 100.0),
    "energy": (0.0, 1e12),
}
"""Range in canonical units beyond which no plant reading can be true; a row's low and high narrow it."""


def read_points(
    file: Path,
    equipment: Mapping[str, Equipment],
    loops: Mapping[str, Loop],
    devices: Mapping[str, Device],
    problems: Problems,
) -> dict[str, Point]:
    """Return the points that could be read; what is wrong is noted with its line."""
    try:
        text = file.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        problems.add((), "the point list is missing", f"create {file.name} with the columns {', '.join(REQUIRED)}")
        return {}
    except UnicodeDecodeError:
        problems.add((), "is not UTF-8 text", "save it as CSV UTF-8")
        return {}
    first = text.partition("\n")[0]
    reader = csv.DictReader(text.splitlines(), delimiter=";" if first.count(";") > first.count(",") else ",")
    if not _columns(reader.fieldnames or (), problems):
        return {}
    kinds = {item.id: item.kind for item in equipment.values()}
    kinds.update({header: "header" for loop in loops.values() for header in loop.headers})
    points: dict[str, Point] = {}
    lines: dict[str, int] = {}
    for row in reader:
        cells = {
            key: (value or "").strip()
            for key, value in row.items()
            if isinstance(key, str) and not isinstance(value, list)
        }
        if not any(cells.values()) or cells["equipment"].startswith("#"):
            continue
        point = _Row(cells, reader.line_num, problems, kinds, loops, devices).point()
        if point is None:
            continue
        if point.name in points:
            problems.add(
                (), f"two points on {point.name} (first in line {lines[point.name]})", "keep one", reader.line_num
            )
            continue
        points[point.name], lines[point.name] = point, reader.line_num
    _addresses_once(points, lines, problems)
    for name, partner in unmatched({point.name: point.accuracy for point in points.values()}):
        other = f"{partner} does not declare the same" if partner else "no other sensor makes a pair with it"
        remedy = "write the same accuracy in both rows of a matched pair, or leave the part with pair out"
        problems.add(("accuracy",), f"{name} is half of a matched pair, but {other}", remedy, lines[name])
    if len(points) > POINTS_MAX:
        problems.add((), f"{len(points)} points", f"at most {POINTS_MAX}")
    return points


def _columns(names: object, problems: Problems) -> bool:
    columns = list(names) if isinstance(names, list | tuple) else []
    for name in columns:
        if name not in COLUMNS:
            problems.add((), f"unknown column '{name}'", near(str(name), COLUMNS), 1)
    missing = [name for name in REQUIRED if name not in columns]
    for name in missing:
        problems.add((), f"column '{name}' is missing", f"the first line names the columns: {', '.join(COLUMNS)}", 1)
    return not missing


def _addresses_once(points: Mapping[str, Point], lines: Mapping[str, int], problems: Problems) -> None:
    seen: dict[tuple[str, object], str] = {}
    for point in points.values():
        address = point.address
        key = (
            point.device,
            str(address) if isinstance(address, BacnetAddress) else (address.table, address.first, address.kind),
        )
        if key in seen:
            problems.add(
                (),
                f"{point.name} and {seen[key]} read the same address {address} of {point.device}",
                "correct one",
                lines[point.name],
            )
        seen[key] = point.name


class _Row:
    """One row on its way to a point."""

    def __init__(
        self,
        cells: Mapping[str, str],
        line: int,
        problems: Problems,
        kinds: Mapping[str, str],
        loops: Mapping[str, Loop],
        devices: Mapping[str, Device],
    ) -> None:
        self._cells, self._line, self._problems = cells, line, problems
        self._kinds, self._loops, self._devices = kinds, loops, devices
        self._wrong = False

    def point(self) -> Point | None:
        """Return the point, or None after noting each problem of the row."""
        measured = self._measurement()
        device = self._device()
        found = self._unit(measured) if measured else None
        address = self._address(device, measured) if device else None
        states = self._states(found)
        low, high = self._range(found)
        period_s = self._number("period_s", device.period_s if device else 10.0)
        accuracy = self._accuracy(found)
        correction = self._correction(found, measured)
        if self._wrong or measured is None or device is None or found is None or address is None:
            return None
        name, what = self._cell("equipment"), self._cell("measurement")
        return Point(
            f"{name}.{what}",
            name,
            what,
            found.quantity,
            replace(found, offset=found.offset + correction * found.factor),
            device.id,
            address,
            period_s,
            states,
            low,
            high,
            measured.label,
            self._cell("description"),
            measured.commandable,
            accuracy,
            correction,
        )

    def _cell(self, column: str) -> str:
        return self._cells.get(column, "")

    def _bad(self, column: str, wrong: str, remedy: str) -> None:
        self._wrong = True
        self._problems.add((column,), wrong, remedy, self._line)

    def _missing(self, column: str, wrong: str, name: str, known: Iterable[str]) -> None:
        self._wrong = True
        if name not in self._problems.broken:
            self._bad(column, wrong, near(name, known))

    def _measurement(self) -> Measurement | None:
        name, what = self._cell("equipment"), self._cell("measurement")
        kind = self._kinds.get(name)
        if kind is None:
            self._missing("equipment", f"no equipment or header '{name}'", name, self._kinds)
            return None
        found = measurement(kind, what)
        if found is None:
            self._bad("measurement", f"a {kind} has no measurement '{what}'", near(what, MEASUREMENTS[kind]))
        elif what.startswith("dp_to:") and what[6:] not in self._loop_headers(name):
            self._bad(
                "measurement", f"'{what[6:]}' is no header of the same loop", near(what[6:], self._loop_headers(name))
            )
        return found

    def _loop_headers(self, header: str) -> tuple[str, ...]:
        return next((loop.headers for loop in self._loops.values() if header in loop.headers), ())

    def _device(self) -> Device | None:
        name = self._cell("device")
        if name not in self._devices:
            self._missing("device", f"no device '{name}'", name, self._devices)
        return self._devices.get(name)

    def _unit(self, measured: Measurement) -> Unit | None:
        name = self._cell("unit")
        options = measured.quantities
        if not name and options[-1] in {"state", "count"}:
            name = options[-1]
        problem = ""
        for quantity in options:
            try:
                return unit(name, quantity)
            except UnknownUnit as error:
                problem = str(error)
        if len(options) > 1 and name in {"kPa", "psi", "bar"}:
            problem = f"'{name}' does not say gauge or absolute"
            self._bad("unit", problem, f"write {name}g or {name}a")
            return None
        self._bad("unit", problem or f"{self._cell('measurement')} needs a unit", "correct the unit column")
        return None

    def _address(self, device: Device, measured: Measurement | None) -> BacnetAddress | ModbusAddress | None:
        for column in FOREIGN[device.protocol]:
            if self._cell(column):
                self._bad(column, f"{device.id} speaks {device.protocol}, which has no {column}", "empty the cell")
        try:
            if device.protocol == "bacnet":
                found = bacnet_address(self._cells)
                if found.cov and measured is not None and "state" not in measured.quantities:
                    self._bad(
                        "cov", "is for states: an analog value is polled as often as it changes", "empty the cell"
                    )
                return found
            return modbus_address(self._cells)
        except AddressProblem as problem:
            self._bad(problem.column, problem.wrong, problem.remedy)
            return None

    def _states(self, found: Unit | None) -> dict[int, str]:
        text = self._cell("states")
        if found is None or (found.quantity == "state" and not text):
            return {0: "OFF", 1: "ON"}
        if not text:
            return {}
        if found.quantity != "state":
            self._bad("states", f"{self._cell('measurement')} is not a state", "empty the states column")
            return {}
        states: dict[int, str] = {}
        for part in text.split("|"):
            number, _, word = part.partition("=")
            if not number.strip().lstrip("-").isdigit() or not word.strip():
                self._bad("states", f"'{part}' is not NUMBER=WORD", "write them like 0=OFF|1=RUN")
                continue
            states[int(number)] = word.strip()
        return states

    def _range(self, found: Unit | None) -> tuple[float, float]:
        if found is None:
            return -math.inf, math.inf
        wide = PLAUSIBLE.get(found.quantity, (-math.inf, math.inf))
        low, high = (found.from_canonical(value) if math.isfinite(value) else value for value in wide)
        low, high = self._number("low", low), self._number("high", high)
        if low >= high:
            self._bad("low", f"low {low:g} is not below high {high:g}", "correct low and high")
        return low, high

    def _accuracy(self, found: Unit | None) -> Accuracy:
        if found is None:
            return UNKNOWN
        try:
            return read_accuracy(self._cell("accuracy"), found) if self._cell("accuracy") else assumed(found.quantity)
        except AccuracyProblem as problem:
            self._bad("accuracy", problem.wrong, problem.remedy)
            return UNKNOWN

    def _correction(self, found: Unit | None, measured: Measurement | None) -> float:
        """Return the accepted offset of a sensor, in its unit; it belongs to what senses, not to what commands."""
        correction = self._number("correction", 0.0)
        if found is None or measured is None or not correction:
            return 0.0
        most = CORRECTION_MAX.get(found.quantity, 0.0)
        if not most or measured.commandable:
            self._bad("correction", f"{measured.label} is no sensor that takes an offset", "empty the cell")
        elif abs(correction * found.factor) > most:
            remedy = "replace the sensor, or see whether it is another sensor than its name says"
            self._bad("correction", f"{correction:g} {found.name} is more than a good sensor drifts", remedy)
        return correction

    def _number(self, column: str, default: float) -> float:
        text = self._cell(column)
        if not text:
            return default
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if math.isfinite(value):
            return value
        self._bad(column, f"'{text}' is not a number", "write a plain number with a decimal point")
        return default
