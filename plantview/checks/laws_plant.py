"""What must hold between machines, headers, towers, exchangers and the air outside."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from plantview.calcs.air import standard_pressure_kpaa, wet_bulb_c
from plantview.checks.law import Law, Range
from plantview.checks.laws_chiller import NEAR, chiller_laws, fixed, of_design, order
from plantview.checks.running import Holds, all_on, any_of, chiller_runs, drive_runs
from plantview.checks.window import Window
from plantview.derive.balances import Balance, balances
from plantview.derive.catalogue_weather import weather_point
from plantview.derive.rings import upstream
from plantview.model.columns import Flags, Floats
from plantview.model.plant import Equipment, Plant

HEADER_K: Final = 1.2
"""A machine's sensor and its header's may differ by so much (our own choice): both are right to some tenths."""
FLOW_SHARE: Final = 0.07
FLOW_L_S: Final = 2.0
DRIVE_SHARES: Final = (0.15, 1.8)
"""Of design power times the cube of the speed."""
AIR_C: Final = (-50.0, 55.0)
WET_BULB_K: Final = 2.0
TOWER_K: Final = (-1.2, 25.0)
DP_SHARES: Final = (0.35, 2.5)
"""Of its setpoint: a controlled pressure difference is near it, in the right unit."""


def laws(plant: Plant) -> tuple[Law, ...]:
    """Return every law whose sensors the plant has."""
    found = [law for chiller in plant.of_kind("chiller") for law in chiller_laws(plant, chiller)]
    found += [law for balance in balances(plant) for law in _balance(plant, balance)]
    found += [*_headers(plant), *_pressures(plant), *_drives(plant), *_weather(plant), *_towers(plant)]
    found += _exchangers(plant)
    return tuple(law for law in found if set(law.sensors) <= set(plant.points))


def _balance(plant: Plant, balance: Balance) -> Iterator[Law]:
    """Yield the balances between machines and headers; heat balances are judged with the tolerance of this room."""
    machine = plant.equipment.get(balance.place)
    holds = chiller_runs(plant, machine) if machine else any_chiller(plant)
    if holds is None or balance.quantity == "heat_flow" or (not machine and len(balance.gates) > 1):
        return  # what may be mixed with other water is no law
    sensors = balance.sensors

    def value(window: Window) -> Floats:
        return np.asarray(balance.left_over(*(window.of(name) for name in sensors)))

    def allowed(window: Window) -> Range:
        if balance.quantity != "flow":
            return -HEADER_K, HEADER_K
        open_l_s = FLOW_L_S + FLOW_SHARE * np.max([np.abs(window.of(name)) for name in sensors], axis=0)
        return -open_l_s, open_l_s

    yield Law(balance.name, balance.words, balance.quantity, sensors, value, allowed, holds, near=NEAR)


def any_chiller(plant: Plant) -> Holds | None:
    """Return where a chiller runs; None where no status is measured."""
    gates = tuple(runs for chiller in plant.of_kind("chiller") if (runs := chiller_runs(plant, chiller)))
    return any_of(gates) if gates else None


def header_pairs(plant: Plant) -> Iterator[tuple[str, str]]:
    """Yield the warm and the cold header temperature on both sides of every stage of chillers."""
    for loop in plant.loops.values():
        for stage in loop.stages_of("chiller"):
            before = next((each for each in upstream(loop, stage.start)[0] if f"{each}.temp" in plant.points), "")
            names = (f"{before}.temp", f"{stage.end}.temp")
            if set(names) <= set(plant.points):
                yield names if loop.water == "chilled" else names[::-1]


def _headers(plant: Plant) -> Iterator[Law]:
    holds = any_chiller(plant)
    for warm, cold in header_pairs(plant) if holds else ():
        yield order(warm, cold, "while a chiller runs", holds)  # type: ignore[arg-type]


def _pressures(plant: Plant) -> Iterator[Law]:
    """Yield that water falls in pressure in its own direction, and that pumps raise it."""
    holds = any_chiller(plant)
    for point in plant.points.values():
        header = plant.equipment.get(point.equipment)
        if holds and (point.measurement.startswith("dp_to:") or point.measurement in {"evap_dp", "cond_dp"}):
            runs = chiller_runs(plant, header) if header else holds
            if runs:
                yield Law(f"{point.name} sign", f"{point.name} while water moves", point.quantity, (point.name,),
                          _of(point.name), fixed(-2.0, 1_500.0), runs, 100.0)  # fmt: skip
        target = plant.point(point.equipment, "dp_setpoint")
        if holds and target and point.measurement.startswith("dp_to:"):
            yield Law(f"{point.name} by setpoint", f"{point.name} beside {target.name}", "ratio",
                      (point.name, target.name), _ratio(point.name, target.name), fixed(*DP_SHARES), holds, 1.0)  # fmt: skip
    for pump in plant.of_kind("pump"):
        runs = drive_runs(plant, pump)
        names = (f"{pump.id}.discharge_pressure", f"{pump.id}.suction_pressure")
        if runs and set(names) <= set(plant.points):
            yield Law(f"{pump.id} head", f"{names[0]} less {names[1]} while it runs", "pressure_difference", names,
                      _less(*names), fixed(0.0, 2_000.0), runs, 200.0)  # fmt: skip


def _of(point: str) -> Callable[[Window], Floats]:
    return lambda window: window.of(point)


def _ratio(one: str, other: str) -> Callable[[Window], Floats]:
    return lambda window: window.of(one) / window.of(other)


def _less(one: str, other: str) -> Callable[[Window], Floats]:
    return lambda window: window.of(one) - window.of(other)


def _drives(plant: Plant) -> Iterator[Law]:
    for machine in itertools.chain(plant.of_kind("pump"), plant.of_kind("fan")):
        runs, design = drive_runs(plant, machine), machine.design.get("power")
        power = plant.point(machine.id, "power")
        if not runs or not design or not power:
            continue
        speed = plant.point(machine.id, "speed")
        if speed is None:
            yield of_design(power.name, "power", design, DRIVE_SHARES, runs)
        else:
            yield Law(f"{power.name} of design", f"{power.name} beside design at its speed", "power",
                      (power.name, speed.name), _of(power.name), _by_speed(speed.name, design), runs)  # fmt: skip


def _by_speed(speed: str, design: float) -> Callable[[Window], Range]:
    def allowed(window: Window) -> Range:
        cube = np.clip(window.of(speed) / 100.0, 0.0, 1.0) ** 3
        # at low speed the drive's own losses and static head count more than the cube
        return DRIVE_SHARES[0] * design * cube - 0.02 * design, DRIVE_SHARES[1] * design * np.maximum(cube, 0.15)

    return allowed


def _weather(plant: Plant) -> Iterator[Law]:
    dry, wet, damp = (weather_point(plant, name) for name in ("dry_bulb", "wet_bulb", "relative_humidity"))
    if dry:
        yield Law("dry bulb range", f"{dry} outdoors", "temperature", (dry,), _of(dry), fixed(*AIR_C), always)
    if dry and wet:
        yield Law("wet bulb below dry bulb", f"{dry} less {wet}", "temperature_difference", (dry, wet), _less(dry, wet),
                  fixed(-0.5, 30.0), always, 4.0)  # fmt: skip
    if dry and wet and damp:
        yield Law("wet bulb by humidity", f"{wet} less the wet bulb of {dry} and {damp}", "temperature_difference",
                  (dry, wet, damp), lambda window: window.of(wet) - _wet_bulb(plant, dry, damp, window),
                  fixed(-WET_BULB_K, WET_BULB_K), always)  # fmt: skip


def always(window: Window) -> Flags:
    """Return every moment."""
    return np.ones(window.at_ms.size, bool)


def _wet_bulb(plant: Plant, dry: str, damp: str, window: Window) -> Floats:
    return wet_bulb_c(
        window.of(dry), window.of(damp), np.full(window.at_ms.size, standard_pressure_kpaa(plant.altitude_m))
    )


def _towers(plant: Plant) -> Iterator[Law]:
    dry, wet, damp = (weather_point(plant, name) for name in ("dry_bulb", "wet_bulb", "relative_humidity"))
    air: tuple[str, ...] = (wet,) if wet else (dry, damp) if dry and damp else ()
    if not air:
        return

    def wet_bulb(window: Window) -> Floats:
        return window.of(wet) if wet else _wet_bulb(plant, dry, damp, window)

    for cell in plant.of_kind("tower_cell"):
        holds, leaving = _cell_works(plant, cell), plant.point(cell.id, "leaving_temp")
        if holds is None or leaving is None:
            continue
        yield Law(f"{cell.id} approach", f"{leaving.name} less the wet bulb", "temperature_difference",
                  (leaving.name, *air), _above(leaving.name, wet_bulb), fixed(*TOWER_K), holds, 4.0)  # fmt: skip
        if plant.point(cell.id, "entering_temp"):
            yield order(f"{cell.id}.entering_temp", leaving.name, "while its fan runs", holds)
        for warm, _ in _condenser_headers(plant):
            yield order(warm, leaving.name, f"while the fan of {cell.id} runs", holds)


def _above(leaving: str, wet_bulb: Callable[[Window], Floats]) -> Callable[[Window], Floats]:
    return lambda window: window.of(leaving) - wet_bulb(window)


def _condenser_headers(plant: Plant) -> list[tuple[str, str]]:
    chilled = {f"{header}.temp" for loop in plant.loops.values() if loop.water == "chilled" for header in loop.headers}
    return [pair for pair in header_pairs(plant) if pair[0] not in chilled]


def _cell_works(plant: Plant, cell: Equipment) -> Holds | None:
    """Return where a cell has its fan on, water on its fill, and a chiller to reject for."""
    statuses = tuple(f"{fan.id}.status" for fan in plant.parts_of(cell.id, "fan") if plant.point(fan.id, "status"))
    chiller, valve = any_chiller(plant), plant.point(cell.id, "isolation_valve")
    if not statuses or chiller is None:
        return None
    fans = all_on(plant, statuses[:1], (valve.name,) if valve else ())
    return lambda window: fans(window) & chiller(window)


def _exchangers(plant: Plant) -> Iterator[Law]:
    for exchanger in plant.of_kind("heat_exchanger"):
        branches = [branch for loop in plant.loops.values() for stage in loop.stages for branch in stage.branches]
        own = [branch for branch in branches if any(port.equipment == exchanger.id for port in branch)]
        near = (port.equipment for branch in own for port in branch if plant.equipment[port.equipment].kind == "valve")
        valves = tuple(f"{name}.position" for name in near if plant.point(name, "position"))
        chiller = any_chiller(plant)
        if not valves or chiller is None:
            continue
        opened = all_on(plant, (), valves)
        for warm, cold in (("warm_in_temp", "warm_out_temp"), ("cool_out_temp", "cool_in_temp"),
                           ("warm_out_temp", "cool_in_temp"), ("warm_in_temp", "cool_out_temp")):  # fmt: skip
            yield order(f"{exchanger.id}.{warm}", f"{exchanger.id}.{cold}", "while both sides flow",
                        _both(opened, chiller))  # fmt: skip


def _both(one: Holds, other: Holds) -> Holds:
    return lambda window: one(window) & other(window)
