"""From a folder to a Plant: read, check everything, then build; or say all that is wrong."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from plantview.config.adapters import read_adapters, read_bacnet
from plantview.config.devices import read_devices
from plantview.config.equipment import check_parts, read_equipment
from plantview.config.keeping import read_keeping
from plantview.config.loops import read_loops
from plantview.config.points import read_points
from plantview.config.positions import Positions
from plantview.config.problems import Problems, near
from plantview.config.rates import read_rates
from plantview.config.schema import SCHEMA, SIMULATION, TABLES, ActuatorTable, PlantTable
from plantview.config.service_colours import read_service_colours
from plantview.config.writes import chilled_water, read_writes
from plantview.errors import ConfigError, Problem
from plantview.model.plant import Actuator, Equipment, Plant
from plantview.units import UnknownUnit, parse

PLANT_FILE = "plant.toml"
POINTS_FILE = "points.csv"


def load_plant(folder: Path) -> Plant:
    """Return the plant that a folder describes; ConfigError holds every problem found."""
    plant, problems = read_plant(folder)
    if plant is None or problems:
        raise ConfigError(folder, problems)
    return plant


def read_plant(folder: Path) -> tuple[Plant | None, list[Problem]]:
    """Return the plant as far as it could be read, and all problems of both files."""
    file = folder / PLANT_FILE
    try:
        text = file.read_text(encoding="utf-8")
        raw = tomllib.loads(text)
    except (OSError, UnicodeDecodeError) as error:
        return None, [Problem(str(file), 0, "", _unreadable(folder, error), _unreadable_remedy(folder))]
    except tomllib.TOMLDecodeError as error:
        return None, [Problem(str(file), _toml_line(error), "", f"is not valid TOML: {error}", "correct this line")]
    problems = Problems(str(file), Positions(text))
    points_problems = Problems(str(folder / POINTS_FILE))
    if not _schema(raw, problems):
        return None, problems.found
    plant = _build(folder, raw, problems, points_problems)
    return plant, sorted(problems.found, key=lambda item: item.line) + points_problems.found


def _unreadable(folder: Path, error: Exception) -> str:
    if not folder.exists():
        return f"there is no folder {folder}"
    return "the file is missing" if isinstance(error, FileNotFoundError) else f"cannot be read: {error}"


def _unreadable_remedy(folder: Path) -> str:
    return f"give a folder that holds {PLANT_FILE} and {POINTS_FILE}; the folder name was '{folder.name}'"


def _toml_line(error: tomllib.TOMLDecodeError) -> int:
    _, _, tail = str(error).partition("at line ")
    number = tail.split(",")[0]
    return int(number) if number.isdigit() else 0


def _schema(raw: Mapping[str, Any], problems: Problems) -> bool:
    schema = raw.get("schema")
    if schema == SCHEMA:
        return True
    if isinstance(schema, int) and schema > SCHEMA:
        problems.add(
            ("schema",),
            f"schema {schema} is newer than this plantview understands ({SCHEMA})",
            "install a newer plantview",
        )
    else:
        problems.add(("schema",), "the first line must say which schema the file follows", f"write schema = {SCHEMA}")
    return False


def _build(folder: Path, raw: Mapping[str, Any], problems: Problems, points_problems: Problems) -> Plant | None:
    for key in raw:
        if key not in TABLES:
            problems.add((key,), f"unknown table '{key}'", near(key, TABLES))
    table = problems.parse(PlantTable, raw.get("plant", {}), ("plant",))
    equipment = read_equipment(raw, problems)
    problems.broken = frozenset(raw.get("equipment", {})) - equipment.keys()
    loops = read_loops(raw, equipment, problems)
    check_parts(equipment, loops, problems)
    devices = read_devices(raw, problems)
    adapter, adapters = read_bacnet(raw, devices, problems), read_adapters(raw, devices, problems)
    points_problems.broken = problems.broken | (frozenset(raw.get("devices", {})) - devices.keys())
    points = read_points(folder / POINTS_FILE, equipment, loops, devices, points_problems)
    actuators = _actuators(raw, equipment, problems)
    simulation = _simulation(raw.get("simulation", {}), problems)
    if table is None:
        return None
    return Plant(
        folder.resolve().name,
        table.name,
        _zone(table, problems),
        _altitude_m(table, problems),
        table.units,
        table.simulated,
        loops,
        equipment,
        devices,
        points,
        actuators,
        adapter,
        _alarms(raw, problems),
        simulation,
        str(folder),
        read_keeping(raw, table.history, problems),
        read_writes(
            folder, raw, points, devices, equipment, chilled_water(equipment, loops), problems, points_problems.found
        ),
        adapters=adapters,
        colours=read_service_colours(raw, problems),
        rates=read_rates(raw, problems),
        sign_in_notice=table.sign_in_notice.strip(),
    )


def _zone(table: PlantTable, problems: Problems) -> str:
    try:
        ZoneInfo(table.zone)
    except (ValueError, OSError, KeyError):
        problems.add(("plant", "zone"), f"no time zone '{table.zone}'", 'write an IANA zone such as "Europe/Vienna"')
        return "UTC"
    return table.zone


def _altitude_m(table: PlantTable, problems: Problems) -> float:
    try:
        return parse(table.altitude, "length")
    except UnknownUnit as error:
        problems.add(("plant", "altitude"), str(error), 'write "180 m" or "600 ft"')
        return 0.0


def _actuators(raw: Mapping[str, Any], equipment: Mapping[str, Equipment], problems: Problems) -> dict[str, Actuator]:
    found: dict[str, Actuator] = {}
    valves = [item.id for item in equipment.values() if item.kind == "valve"]
    for name, row in raw.get("actuators", {}).items():
        table = problems.parse(ActuatorTable, row, ("actuators", name))
        if table is None:
            continue
        for valve in table.valves:
            if valve not in valves:
                problems.add(("actuators", name, "valves"), f"no valve '{valve}'", near(valve, valves))
        found[name] = Actuator(name, tuple(table.valves), table.sum_pct)
    return found


def _simulation(raw: Mapping[str, Any], problems: Problems) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in raw.items():
        path = ("simulation", key)
        if key in SIMULATION:
            try:
                found[key] = parse(str(value), SIMULATION[key])
            except UnknownUnit as error:
                problems.add(path, str(error), "write the number and a unit of that quantity")
        elif key == "peak_hour" and isinstance(value, int | float) and not isinstance(value, bool):
            found[key] = float(value)
        else:
            problems.add(path, f"unknown key or value '{key} = {value}'", near(key, (*SIMULATION, "peak_hour")))
    return found


def _alarms(raw: Mapping[str, Any], problems: Problems) -> tuple[Mapping[str, Any], ...]:
    rows = raw.get("alarms", [])
    if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
        problems.add(("alarms",), "alarms are not a list of tables", "write each alarm under [[alarms]]")
        return ()
    return tuple(
        {**row, "line": problems.line(("alarms", index)), "file": problems.file} for index, row in enumerate(rows)
    )
