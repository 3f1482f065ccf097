"""``[loops]``: headers, stages and bypasses, checked until the water can go round."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from plantview.config.positions import Path
from plantview.config.problems import Problems, near
from plantview.config.schema import LoopTable
from plantview.model.measurements import SIDES, WET_KINDS
from plantview.model.plant import Bypass, Equipment, Loop, Port, Stage


def read_loops(raw: Mapping[str, Any], equipment: Mapping[str, Equipment], problems: Problems) -> dict[str, Loop]:
    """Return the loops that could be read; what is wrong with them is noted."""
    loops: dict[str, Loop] = {}
    for name, row in raw.get("loops", {}).items():
        table = problems.parse(LoopTable, row, ("loops", name))
        if table is not None:
            loops[name] = _one(name, table, equipment, problems)
    _headers_once(loops, equipment, problems)
    _ports_once(loops, equipment, problems)
    return loops


def _one(name: str, table: LoopTable, equipment: Mapping[str, Equipment], problems: Problems) -> Loop:
    path: Path = ("loops", name)
    for key in ("start", "open_header"):
        header = getattr(table, key)
        if header and header not in table.headers:
            problems.add((*path, key), f"'{header}' is no header of this loop", near(header, table.headers))
    stages = []
    for index, row in enumerate(table.stages):
        place = (*path, "stages", index)
        branches = tuple(
            tuple(_port(text, equipment, problems, (*place, "branches", at)) for text in branch)
            for at, branch in enumerate(row.branches)
        )
        stage = Stage(row.id, row.kind, row.start, row.end, branches)
        _check_stage(stage, equipment, problems, place)
        stages.append(stage)
    bypasses = []
    for index, bypass in enumerate(table.bypasses):
        place = (*path, "bypasses", index)
        for at, text in enumerate(bypass.via):
            _port(text, equipment, problems, (*place, "via", at))
        bypasses.append(Bypass(bypass.id, bypass.start, bypass.end, tuple(bypass.via), bypass.either_way))
    _check_ends(table, [*stages, *bypasses], problems, path)
    headers = _ring(table.start, stages, problems, path)
    order = {header: at for at, header in enumerate(headers)}
    stages.sort(key=lambda stage: order.get(stage.start, len(order)))
    rest = tuple(header for header in table.headers if header not in order)
    return Loop(
        name,
        table.water,
        table.start,
        (*headers, *rest),
        tuple(stages),
        tuple(bypasses),
        table.open_header,
        table.fluid,
    )


def _port(text: str, equipment: Mapping[str, Equipment], problems: Problems, path: Path) -> Port:
    name, _, side = text.partition(".")
    item = equipment.get(name)
    if item is None:
        if name not in problems.broken:
            problems.add(path, f"no equipment '{name}'", near(name, equipment))
    elif item.kind not in WET_KINDS:
        problems.add(path, f"{name} is a {item.kind} and carries no water", "name pumps, machines and valves only")
    elif side not in SIDES.get(item.kind, ("",)):
        sides = " or ".join(f"{name}.{known}" if known else name for known in SIDES.get(item.kind, ("",)))
        problems.add(path, f"'{text}' names no water circuit of a {item.kind}", f"write {sides}")
    return Port(name, side)


def _check_stage(stage: Stage, equipment: Mapping[str, Equipment], problems: Problems, path: Path) -> None:
    for at, branch in enumerate(stage.branches):
        kinds = [equipment[port.equipment].kind for port in branch if port.equipment in equipment]
        if len(kinds) == len(branch) and stage.kind not in kinds:
            problems.add(
                (*path, "branches", at),
                f"branch {[str(port) for port in branch]} of stage '{stage.id}' has no {stage.kind}",
                f"add the {stage.kind}, or correct the stage's kind",
            )


def _check_ends(table: LoopTable, paths: Iterable[Stage | Bypass], problems: Problems, path: Path) -> None:
    every = list(paths)
    for item in every:
        for header in (item.start, item.end):
            if header not in table.headers:
                problems.add(path, f"'{item.id}' names '{header}', no header of this loop", near(header, table.headers))
    for header in table.headers:
        into = any(item.end == header for item in every)
        out = any(item.start == header for item in every)
        if not into or not out:
            missing = "inflow" if not into else "outflow"
            remedy = f"let a stage or bypass lead {'to' if not into else 'from'} it, or remove it from headers"
            problems.add((*path, "headers"), f"header '{header}' has no {missing}", remedy)


def _ring(start: str, stages: list[Stage], problems: Problems, path: Path) -> tuple[str, ...]:
    """Return the headers in flow order from ``start``; note what is on no ring."""
    reach = {stage.start: _reachable(stage.start, stages) for stage in stages}
    if start not in _reachable(start, stages):
        problems.add(
            (*path, "start"),
            f"the water never comes back to '{start}'",
            "follow the stages from start to the end: one must lead back to start",
        )
    for index, stage in enumerate(stages):
        place = (*path, "stages", index)
        if stage.end == stage.start:
            problems.add(place, f"stage '{stage.id}' leads from '{stage.start}' to itself", "check its from and to")
        elif stage.start not in reach.get(stage.end, set()):
            wrong = f"stage '{stage.id}' is on no ring: nothing leads from '{stage.end}' back to '{stage.start}'"
            problems.add(place, wrong, "check its from and to")
    return _in_order(start, stages)


def _reachable(start: str, stages: list[Stage]) -> set[str]:
    seen: set[str] = set()
    front = [start]
    while front:
        at = front.pop()
        for stage in stages:
            if stage.start == at and stage.end not in seen:
                seen.add(stage.end)
                front.append(stage.end)
    return seen


def _in_order(start: str, stages: list[Stage]) -> tuple[str, ...]:
    """Return headers so that each comes after all that feed it, the way back to start left out."""
    waiting = Counter(stage.end for stage in stages if stage.end != start)
    order: list[str] = []
    front = [start]
    while front:
        at = front.pop(0)
        order.append(at)
        for stage in stages:
            if stage.start == at and stage.end != start:
                waiting[stage.end] -= 1
                if waiting[stage.end] == 0 and stage.end not in order:
                    front.append(stage.end)
    return tuple(order)


def _headers_once(loops: Mapping[str, Loop], equipment: Mapping[str, Equipment], problems: Problems) -> None:
    counts = Counter(header for loop in loops.values() for header in loop.headers)
    for header, count in counts.items():
        if count > 1:
            problems.add(
                ("loops",), f"header '{header}' stands in {count} loops", "give each loop its own header names"
            )
        if header in equipment:
            problems.add(
                ("equipment", header), f"'{header}' is a header too", "give the header or the equipment another name"
            )


def _ports_once(loops: Mapping[str, Loop], equipment: Mapping[str, Equipment], problems: Problems) -> None:
    used = Counter(str(port) for loop in loops.values() for stage in loop.stages for port in stage.ports())
    used.update(text for loop in loops.values() for bypass in loop.bypasses for text in bypass.via)
    for item in equipment.values():
        if item.kind not in WET_KINDS:
            continue
        for side in needed_sides(item):
            port = str(Port(item.id, side))
            if used[port] == 0:
                problems.add(
                    ("equipment", item.id),
                    f"port '{port}' stands in no loop",
                    "put it into a branch or remove the equipment",
                )
    for port, count in used.items():
        if count > 1:
            problems.add(
                ("loops",), f"port '{port}' is used {count} times", "each port stands exactly once in the loops"
            )


def needed_sides(item: Equipment) -> tuple[str, ...]:
    """Return the water circuits of a machine that must stand in a loop."""
    if item.kind != "chiller":
        return SIDES.get(item.kind, ("",))
    return ("evaporator",) if item.traits.get("cooling") == "air" else ("evaporator", "condenser")
