"""Every balance that the plant description gives: flow and temperature of headers, heat of chillers."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from plantview.calcs.flow import blended_temperature_c
from plantview.calcs.load import cooling_load_kw, heat_rejection_kw
from plantview.derive.catalogue_chiller import fluid_of, recovers_heat, unknown_fluid
from plantview.derive.evidence import (
    FLOW_FLOOR_L_S,
    enough_load,
    loop_moves,
    power_signal,
    running,
    water_moves,
)
from plantview.derive.gates import Evidence, Gate, Reaches
from plantview.derive.power import add
from plantview.derive.rings import machine_meters, upstream
from plantview.model.plant import Equipment, Loop, Plant, Port, Stage

_WATERS: Final = (("evaporator", "chw", "chws_temp", "chwr_temp"), ("condenser", "cw", "cwr_temp", "cws_temp"))
"""Side of a chiller, its water, and its leaving and entering temperature."""


@dataclass(frozen=True, slots=True)
class Balance:
    """One equation between sensors: what it leaves over is 0 where all of them are right."""

    place: str
    """Header or chiller."""
    what: str
    quantity: str
    """Of what is left over."""
    words: str
    sensors: tuple[str, ...]
    left_over: Callable[..., float]
    """Canonical values in the order of ``sensors`` -> what is left over."""
    gates: tuple[Gate, ...]
    """What must have held all the time for the equation to be true."""

    @property
    def name(self) -> str:
        """Return the name of its derived value."""
        return f"{self.place}.{self.what}_imbalance"


def balances(plant: Plant) -> tuple[Balance, ...]:
    """Return every balance whose sensors the plant has."""
    found = [balance for loop in plant.loops.values() for balance in _of_loop(plant, loop)]
    found += [balance for chiller in plant.of_kind("chiller") for balance in _heat(plant, chiller)]
    return tuple(balance for balance in found if set(balance.sensors) <= set(plant.points))


def _of_loop(plant: Plant, loop: Loop) -> Iterator[Balance]:
    for header in loop.headers:
        yield from _flow(plant, loop, header)
    for stage in loop.stages_of("chiller"):
        yield from _entering(plant, loop, stage)
        yield from _blend(plant, loop, stage)


def _flow(plant: Plant, loop: Loop, header: str) -> Iterator[Balance]:
    """Yield the balances of what arrives at a header, what its meter reads, and what leaves it."""
    if any(header in (each.start, each.end) for each in loop.bypasses):
        return
    arriving, leaving = ([stage for stage in loop.stages if getattr(stage, end) == header] for end in ("end", "start"))
    sums = [_all_meters(plant, arriving), _all_meters(plant, leaving)]
    sums += [(f"{header}.flow",)] if f"{header}.flow" in plant.points else []
    sums = [each for each in sums if each]
    for number, (one, other) in enumerate(itertools.pairwise(sums)):
        words = f"{' + '.join(one)} less {' + '.join(other)}"
        calc = functools.partial(_surplus, first=len(one))
        what = "flow" if number == 0 else "second_flow"
        yield Balance(header, what, "flow", words, (*one, *other), calc, loop_moves(plant, loop))


def _all_meters(plant: Plant, stages: list[Stage]) -> tuple[str, ...]:
    meters = [machine_meters(plant, stage) for stage in stages]
    return tuple(name for each in meters for name in each) if meters and all(meters) else ()


def _surplus(*flows_l_s: float, first: int) -> float:
    return add(*flows_l_s[:first]) - add(*flows_l_s[first:])


def _entering(plant: Plant, loop: Loop, stage: Stage) -> Iterator[Balance]:
    """Yield for every chiller of a stage that its water enters as warm as the header before it."""
    headers, _ = upstream(loop, stage.start)
    header = next((f"{each}.temp" for each in headers if f"{each}.temp" in plant.points), "")
    for machine, water, _, entering in _machines(plant, stage):
        if header:
            words = f"{machine.id}.{entering} less {header}"
            gates = water_moves(plant, machine, water)
            yield Balance(machine.id, entering.removesuffix("_temp"), "temperature_difference", words,
                          (f"{machine.id}.{entering}", header), _difference, gates)  # fmt: skip


def _difference(one_c: float, other_c: float) -> float:
    return one_c - other_c


def _blend(plant: Plant, loop: Loop, stage: Stage) -> Iterator[Balance]:
    """Yield that the header behind a stage has the temperature that its chillers blend."""
    meters, machines = machine_meters(plant, stage), list(_machines(plant, stage))
    apart = _unmixed(loop, stage.end)
    if not meters or len(machines) != len(stage.branches) or apart is None:
        return
    leaving = tuple(f"{machine.id}.{measurement}" for machine, _, measurement, _ in machines)
    gates = (*loop_moves(plant, loop), *apart)
    if len(machines) == 1:
        words, sensors = f"{leaving[0]} less {stage.end}.temp", (*leaving, f"{stage.end}.temp")
        moving = (*water_moves(plant, machines[0][0], machines[0][1]), *gates)
        yield Balance(stage.end, "temp", "temperature_difference", words, sensors, _difference, moving)
        return
    words = f"blend of {', '.join(leaving)} by flow less {stage.end}.temp"
    yield Balance(stage.end, "temp", "temperature_difference", words, (*meters, *leaving, f"{stage.end}.temp"),
                  functools.partial(_blend_k, machines=len(machines)), gates)  # fmt: skip


def _blend_k(*values: float, machines: int) -> float:
    return blended_temperature_c(values[:machines], values[machines : 2 * machines]) - values[-1]


def _unmixed(loop: Loop, header: str) -> tuple[Gate, ...] | None:
    """Return what proves that no other water comes into a header; None where nothing can prove it."""
    gates: list[Gate] = []
    for bypass in loop.bypasses:
        if bypass.end == header:
            return None
        if bypass.either_way and bypass.start == header:
            back = f"return water comes into {header} through {bypass.id}"
            gates.append(Reaches((Evidence(f"{bypass.id}.flow", FLOW_FLOOR_L_S, back),)))
    others = [stage for stage in loop.stages if stage.end == header]
    return tuple(gates) if len(others) == 1 else None


def _machines(plant: Plant, stage: Stage) -> Iterator[tuple[Equipment, str, str, str]]:
    """Yield each chiller of a stage with its water, and its leaving and entering temperature."""
    sides = {side: rest for side, *rest in _WATERS}
    for port in stage.ports():
        if plant.equipment[port.equipment].kind == "chiller" and port.side in sides:
            water, leaving, entering = sides[port.side]
            yield plant.equipment[port.equipment], water, leaving, entering


def _heat(plant: Plant, chiller: Equipment) -> Iterator[Balance]:
    """Yield that cooling and power come out of a chiller's condenser."""
    chilled, condenser = (fluid_of(plant, Port(chiller.id, side)) for side in ("evaporator", "condenser"))
    power = power_signal(plant, chiller.id)
    if not power or unknown_fluid(chilled) or unknown_fluid(condenser) or recovers_heat(plant, chiller):
        return
    names = ("chw_flow", "chws_temp", "chwr_temp", "cw_flow", "cws_temp", "cwr_temp")
    sensors = (*(f"{chiller.id}.{name}" for name in names), power)
    gates = (*running(plant, chiller), *enough_load(plant, chiller, "chw"), *enough_load(plant, chiller, "cw"))
    words = "cooling load plus power less heat rejection"
    calc = functools.partial(_heat_kw, chilled=chilled, condenser=condenser)
    yield Balance(chiller.id, "heat", "heat_flow", words, sensors, calc, gates)


def _heat_kw(
    chw_l_s: float, chws_c: float, chwr_c: float, cw_l_s: float, cws_c: float, cwr_c: float, power_kw: float, *,
    chilled: str, condenser: str,
) -> float:  # fmt: skip
    cooling = cooling_load_kw(chw_l_s, chws_c, chwr_c, chilled)
    return cooling + power_kw - heat_rejection_kw(cw_l_s, cws_c, cwr_c, condenser)
