"""Which header of a ring to ask for a temperature, and which meters say what passes through a stage."""

from __future__ import annotations

from plantview.model.plant import Equipment, Loop, Plant, Stage
from plantview.model.services import service_of

_PASS_THROUGH = ("pump", "valve")
"""Stages that leave the water's temperature as it is, near enough."""


def header_temp(plant: Plant, loop: Loop, service: str, after: str) -> str:
    """Return the name of a header's temperature: the first of that service behind a stage of kind ``after``."""
    stages = loop.stages_of(after)
    start = loop.headers.index(stages[-1].end) if stages else 0
    ring = (*loop.headers[start:], *loop.headers[:start])
    names = (f"{header}.temp" for header in ring if service_of(loop, header) == service)
    return next((name for name in names if name in plant.points), "")


def last_header_temp(plant: Plant, loop: Loop, service: str, before: str) -> str:
    """Return the name of a header's temperature: the last of that service ahead of a stage of kind ``before``."""
    stages = loop.stages_of(before)
    start = loop.headers.index(stages[0].start) + 1 if stages else 0
    ring = (*loop.headers[start:], *loop.headers[:start])
    names = (f"{header}.temp" for header in reversed(ring) if service_of(loop, header) == service)
    return next((name for name in names if name in plant.points), "")


def upstream(loop: Loop, header: str) -> tuple[tuple[str, ...], tuple[Stage, ...]]:
    """Return the headers whose water comes unmixed to ``header``, nearest first, and the stages between them."""
    headers, stages = [header], []
    for _ in loop.headers:
        arriving = [stage for stage in loop.stages if stage.end == headers[-1]]
        mixes = any(
            headers[-1] == each.end or (each.either_way and headers[-1] == each.start) for each in loop.bypasses
        )
        if mixes or len(arriving) != 1 or arriving[0].kind not in _PASS_THROUGH or arriving[0].start in headers:
            break
        stages.append(arriving[0])
        headers.append(arriving[0].start)
    return tuple(headers), tuple(stages)


def through_meters(plant: Plant, loop: Loop, stage: Stage) -> tuple[str, ...]:
    """Return the flow readings of a stage, or of the stage just before it where nothing branches off between."""
    own = stage_meters(plant, loop, stage)
    if own or not _plain(loop, stage.start):
        return own
    before = next(each for each in loop.stages if each.end == stage.start)
    return stage_meters(plant, loop, before)


def stage_meters(plant: Plant, loop: Loop, stage: Stage) -> tuple[str, ...]:
    """Return the flow readings whose sum passes through a stage; empty where it is not metered."""
    return machine_meters(plant, stage) or _header_meter(plant, loop, stage)


def machine_meters(plant: Plant, stage: Stage) -> tuple[str, ...]:
    """Return one flow reading per branch of a stage; empty where a branch has none."""
    found: list[str] = []
    for branch in stage.branches:
        names = (_flow_of(plant.equipment[port.equipment], port.side) for port in branch)
        metered = next((name for name in names if name in plant.points), "")
        if not metered:
            return ()
        found.append(metered)
    return tuple(found)


def _flow_of(machine: Equipment, side: str) -> str:
    """Return the name that the machine's flow reading would have."""
    if machine.kind == "chiller":
        return f"{machine.id}.{'chw' if side == 'evaporator' else 'cw'}_flow" if side != "recovery" else ""
    return f"{machine.id}.{'water_flow' if machine.kind == 'tower_cell' else 'flow'}"


def _header_meter(plant: Plant, loop: Loop, stage: Stage) -> tuple[str, ...]:
    """Return the meter of a header through which all of the stage's water passes, and no other water."""
    names = (f"{header}.flow" for header in (stage.start, stage.end) if _plain(loop, header))
    return next(((name,) for name in names if name in plant.points), ())


def _plain(loop: Loop, header: str) -> bool:
    """Return whether one stage arrives at a header, one leaves it, and no bypass branches off."""
    ends = [end for bypass in loop.bypasses for end in (bypass.start, bypass.end)]
    leaving = [stage for stage in loop.stages if stage.start == header]
    arriving = [stage for stage in loop.stages if stage.end == header]
    return header not in ends and len(leaving) == len(arriving) == 1
