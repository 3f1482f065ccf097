"""What flows through a bypass that nobody meters, from the meters around the header where it starts or ends."""

from __future__ import annotations

import functools
from collections.abc import Iterator

from plantview.calcs.flow import decoupler_flow_l_s
from plantview.derive.bindings import Row
from plantview.derive.power import add
from plantview.derive.rings import stage_meters
from plantview.model.plant import Bypass, Loop, Plant, Stage


def bypass_rows(plant: Plant) -> Iterator[tuple[str, Row]]:
    """Yield every bypass id with the row of its flow."""
    for loop in plant.loops.values():
        for bypass in loop.bypasses:
            yield bypass.id, _row(plant, loop, bypass)


def _row(plant: Plant, loop: Loop, bypass: Bypass) -> Row:
    label = "flow through the decoupler, supply to return" if bypass.either_way else "flow through the bypass"
    for header, sign in ((bypass.start, 1.0), (bypass.end, -1.0)):
        if sum(header in (each.start, each.end) for each in loop.bypasses) > 1:
            continue
        arriving = _metered(plant, loop, [stage for stage in loop.stages if stage.end == header])
        leaving = _metered(plant, loop, [stage for stage in loop.stages if stage.start == header])
        if arriving and leaving:
            note = f"worked out at {header}: {' + '.join(arriving)} less {' + '.join(leaving)}; errors of all meters add up"
            calc = functools.partial(_surplus_l_s, arriving=len(arriving), sign=sign)
            return Row("flow", "flow", label, (*arriving, *leaving), calc, note=note)
    why_not = f"the flows at neither {bypass.start} nor {bypass.end} are all metered"
    return Row("flow", "flow", label, (), _surplus_l_s, why_not=why_not)


def _metered(plant: Plant, loop: Loop, stages: list[Stage]) -> tuple[str, ...]:
    meters = [stage_meters(plant, loop, stage) for stage in stages]
    return tuple(name for each in meters for name in each) if all(meters) else ()


def _surplus_l_s(*flows_l_s: float, arriving: int, sign: float) -> float:
    """Return what arrives at a header (the first so many flows) less what leaves it."""
    return sign * decoupler_flow_l_s(add(*flows_l_s[:arriving]), add(*flows_l_s[arriving:]))
