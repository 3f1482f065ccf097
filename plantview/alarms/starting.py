"""A starting set of alarms, made from the plant description; a person then goes through its sheet.

Each template is tried for each machine: where a point or a design value is missing, or the row would not
compile, there is no alarm, and ``left_out`` says why.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from plantview.alarms.rules import compile_rules, is_warning
from plantview.alarms.starting_limits import LIMITS
from plantview.model.plant import Plant
from plantview.model.services import service_of
from plantview.model.signal import Signal

TEMPLATES: Final = "starting.toml"
LOAD_SHARE: Final = 0.3
"""Efficiency of the whole plant is judged above this part of its capacity."""
_DEVICES_FOR_A_LOSS: Final = 3


@dataclass(frozen=True, slots=True)
class Template:
    """One row for every machine of a kind; ``{each}`` is its name."""

    over: str
    """A kind of equipment; or ``device``, ``controller`` (a BACnet device), ``plant``, ``supply`` (a header) or ``pressure``."""
    cells: Mapping[str, Any]


@dataclass(slots=True)
class StartingSet:
    """The rows that fit this plant, and what was left out."""

    rows: list[dict[str, Any]] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


def starting_set(plant: Plant, signals: Mapping[str, Signal]) -> StartingSet:
    """Return a starting set; ``signals`` are the derived values."""
    found = StartingSet()
    for template in _templates():
        for names, design in _places(template, plant):
            _try(template, names, design, plant, signals, found)
    present = {row["id"] for row in found.rows}
    for row in found.rows:
        if "follows" in row:
            row["follows"] = tuple(name for name in row["follows"] if name in present)
    return found


def _templates() -> list[Template]:
    tables = tomllib.loads(Path(__file__).with_name(TEMPLATES).read_text(encoding="utf-8"))["alarms"]
    return [Template(table.pop("over"), table) for table in tables]


def _places(template: Template, plant: Plant) -> Iterator[tuple[dict[str, str], Mapping[str, float]]]:
    """Yield what fills the brackets of a template, and the design data of that place."""
    match template.over:
        case "device":
            yield from (({"{each}": name}, {}) for name in plant.devices)
        case "controller":
            names = [name for name, device in plant.devices.items() if device.protocol == "bacnet"]
            yield from (({"{each}": name}, {}) for name in names)
        case "plant":
            yield from _whole(template, plant)
        case "supply":
            yield from (({"{each}": header}, {}) for header in _supplies(plant))
        case "pressure":
            for name, point in plant.points.items():
                if point.measurement.startswith("dp_to:"):
                    yield {"{each}": name, "{header}": point.equipment}, {}
        case kind:
            yield from (({"{each}": item.id}, item.design) for item in plant.of_kind(kind))


def _whole(template: Template, plant: Plant) -> Iterator[tuple[dict[str, str], Mapping[str, float]]]:
    chillers = plant.of_kind("chiller")
    if template.cells["type"] == "LOSS" and len(plant.devices) < _DEVICES_FOR_A_LOSS:
        return
    capacity = sum(item.design.get("cooling_capacity", 0.0) for item in chillers)
    yield {"{load}": f"{LOAD_SHARE * capacity:.0f}"}, chillers[0].design if chillers else {}


def _supplies(plant: Plant) -> list[str]:
    loop = plant.loop_of("chilled")
    headers = [] if loop is None else [name for name in loop.headers if service_of(loop, name) == "CHWS"]
    return [name for name in headers if f"{name}.temp" in plant.points and f"{name}.setpoint" in plant.points]


def _try(
    template: Template,
    names: Mapping[str, str],
    design: Mapping[str, float],
    plant: Plant,
    signals: Mapping[str, Signal],
    found: StartingSet,
) -> None:
    cells = {key: _filled(value, names) for key, value in template.cells.items()}
    limit = LIMITS.get(template.cells["id"])
    if limit is not None:
        try:
            cells["limit"] = limit.text(design)
        except KeyError as error:
            found.left_out.append(f"{cells['id']}: no design value {error.args[0]}")
            return
    alone = {key: value for key, value in cells.items() if key != "follows"}
    _, problems = compile_rules(replace(plant, alarms=(alone,)), signals)
    wrong = [problem for problem in problems if not is_warning(problem)]
    if wrong:
        found.left_out.append(f"{cells['id']}: {wrong[0].wrong}")
    else:
        found.rows.append(cells)


def _filled(value: object, names: Mapping[str, str]) -> object:
    if isinstance(value, list | tuple):
        return tuple(_filled(item, names) for item in value)
    if isinstance(value, str):
        for bracket, name in names.items():
            value = value.replace(bracket, name)
    return value
