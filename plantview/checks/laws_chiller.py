"""What must hold at a chiller: the order of its temperatures, its heat balance, its approaches, its own design."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from plantview.calcs.air import standard_pressure_kpaa
from plantview.calcs.load import cooling_load_kw, heat_rejection_kw
from plantview.calcs.refrigerant import REFRIGERANTS, absolute_kpaa, saturation_c
from plantview.checks.law import Law, Range
from plantview.checks.running import Holds, chiller_runs
from plantview.checks.window import Window
from plantview.derive.catalogue_chiller import fluid_of, recovers_heat, unknown_fluid
from plantview.derive.catalogue_weather import weather_point
from plantview.derive.evidence import power_signal
from plantview.model.columns import Floats
from plantview.model.plant import Equipment, Plant, Port

WATER: Final = (
    ("chws_temp", -12.0, 22.0),
    ("chwr_temp", -6.0, 35.0),
    ("cws_temp", 4.0, 48.0),
    ("cwr_temp", 6.0, 60.0),
)
"""Between these, °C, the water of a running chiller stays (common practice, no source)."""
ORDER_K: Final = 0.4
"""Sensors that are right may contradict the order of two pipes by so much at little load."""
HEAT_SHARE: Final = 0.13
HEAT_SENSORS_K: Final = 0.4
"""A heat balance may be open by that share, and by what such an error of each temperature difference makes."""
FLOW_SHARES: Final = (0.2, 1.7)
POWER_SHARES: Final = (0.04, 1.5)
COP_SHARES: Final = (0.3, 2.6)
COP_LIMITS: Final = (1.5, 20.0)
NEAR: Final = 0.45
"""A heat balance or an approach that a correction only brings within reach, not near, is no proof of it."""
FREEZING_C: Final = -1.0
"""A machine on plain water that evaporates below this for long has tripped or burst."""
APPROACH_LEAST_K: Final = -1.2
APPROACH_K, APPROACH_SHARE = 1.5, 2.5
"""Fouling and lack of refrigerant raise an approach; above this much plus so many times design it is no longer
believed of the machine alone (our own choices, all of this table)."""


def chiller_laws(plant: Plant, chiller: Equipment) -> Iterator[Law]:
    """Yield the laws whose sensors the plant has."""
    runs = chiller_runs(plant, chiller)
    if runs is None:
        return
    found = [*_water(chiller, runs), *_design(plant, chiller, runs), *_heat(plant, chiller, runs)]
    found += _refrigerant(plant, chiller, runs)
    yield from (law for law in found if set(law.sensors) <= set(plant.points))


def fixed(low: float, high: float) -> Callable[[Window], Range]:
    """Return a range that does not depend on readings."""
    return lambda _: (low, high)


def _water(chiller: Equipment, runs: Holds) -> Iterator[Law]:
    name = chiller.id
    for what, low, high in WATER:
        point = f"{name}.{what}"
        yield Law(f"{point} range", f"{point} while {name} runs", "temperature", (point,), _reading(point),
                  fixed(low, high), runs)  # fmt: skip
    for warm, cold in (("chwr_temp", "chws_temp"), ("cwr_temp", "cws_temp")):
        yield order(f"{name}.{warm}", f"{name}.{cold}", f"while {name} runs", runs)


def order(warm: str, cold: str, when: str, holds: Holds) -> Law:
    """Return that one pipe is not colder than another."""
    return Law(f"{warm} above {cold}", f"{warm} less {cold} {when}", "temperature_difference", (warm, cold),
               lambda window: window.of(warm) - window.of(cold), fixed(-ORDER_K, 40.0), holds)  # fmt: skip


def _reading(point: str) -> Callable[[Window], Floats]:
    return lambda window: window.of(point)


def _design(plant: Plant, chiller: Equipment, runs: Holds) -> Iterator[Law]:
    for what in ("chw_flow", "cw_flow"):
        if chiller.design.get(what):
            yield of_design(f"{chiller.id}.{what}", "flow", chiller.design[what], FLOW_SHARES, runs)
    power = power_signal(plant, chiller.id)
    if power and chiller.design.get("power"):
        yield of_design(power, "power", chiller.design["power"], POWER_SHARES, runs)


def of_design(point: str, quantity: str, design: float, shares: tuple[float, float], holds: Holds) -> Law:
    """Return that a running machine is within reach of its design."""
    return Law(f"{point} of design", f"{point} while running, beside design", quantity, (point,), _reading(point),
               fixed(shares[0] * design, shares[1] * design), holds)  # fmt: skip


def _heat(plant: Plant, chiller: Equipment, runs: Holds) -> Iterator[Law]:
    chilled, condenser = (fluid_of(plant, Port(chiller.id, side)) for side in ("evaporator", "condenser"))
    power = power_signal(plant, chiller.id)
    if not power or unknown_fluid(chilled):
        return
    names = {
        name: f"{chiller.id}.{name}"
        for name in ("chw_flow", "chws_temp", "chwr_temp", "cw_flow", "cws_temp", "cwr_temp")
    }
    cooled = tuple(names.values())[:3]

    def load(window: Window) -> Floats:
        flow, supply, back = (window.of(name) for name in cooled)
        return cooling_load_kw(flow, supply, back, chilled)

    def rejected(window: Window) -> Floats:
        flow, cold, warm = (window.of(names[name]) for name in ("cw_flow", "cws_temp", "cwr_temp"))
        return heat_rejection_kw(flow, cold, warm, condenser)

    def allowed(window: Window) -> Range:
        flows = np.abs(window.of(names["chw_flow"])) + np.abs(window.of(names["cw_flow"]))
        open_kw = (
            HEAT_SHARE * np.maximum(np.abs(rejected(window)), np.abs(load(window))) + HEAT_SENSORS_K * 4.19 * flows
        )
        return -open_kw, open_kw

    if not unknown_fluid(condenser) and not recovers_heat(plant, chiller):
        yield Law(f"{chiller.id} heat balance", f"{chiller.id} cooling load + power less heat rejection", "heat_flow",
                  (*names.values(), power), lambda window: load(window) + window.of(power) - rejected(window),
                  allowed, runs, near=NEAR)  # fmt: skip
    low, high = COP_LIMITS
    if chiller.design.get("cooling_capacity") and chiller.design.get("power"):
        design = chiller.design["cooling_capacity"] / chiller.design["power"]
        low, high = COP_SHARES[0] * design, COP_SHARES[1] * design
    yield Law(f"{chiller.id} COP", f"{chiller.id} cooling load by power", "ratio", (*cooled, power),
              lambda window: load(window) / window.of(power), fixed(low, high), runs)  # fmt: skip


def _refrigerant(plant: Plant, chiller: Equipment, runs: Holds) -> Iterator[Law]:
    described = chiller.traits.get("refrigerant", "")
    if described not in REFRIGERANTS:
        return
    fluid = fluid_of(plant, Port(chiller.id, "evaporator"))
    sides = (("evap", "chws_temp", 1.0), ("cond", "cwr_temp", -1.0))
    for side, water, sign in sides:
        pressure = plant.point(chiller.id, f"{side}_pressure")
        if pressure is None:
            continue
        saturation = functools.partial(
            _saturation, plant, pressure.name, pressure.quantity, chiller.id, described, side
        )
        design = chiller.design.get(f"{side}_approach", 1.5)
        panel = f"{chiller.id}.{side}_sat_temp"
        water_name = f"{chiller.id}.{water}"
        yield Law(f"{chiller.id} {side} approach", f"{chiller.id} {side}. saturation beside {water_name}",
                  "temperature_difference", (pressure.name, water_name), _apart(saturation, water_name, sign),
                  fixed(APPROACH_LEAST_K, APPROACH_K + APPROACH_SHARE * design), runs, 0.6 * design, NEAR, worn=True)  # fmt: skip
        if side == "evap" and fluid == "water":
            yield Law(f"{chiller.id} evap saturation", f"saturation at {pressure.name} while {chiller.id} runs", "temperature",
                      (pressure.name,), saturation, fixed(FREEZING_C, 30.0), runs)  # fmt: skip
        yield Law(f"{chiller.id} {side} panel", f"{panel} less saturation at {pressure.name}",
                  "temperature_difference", (pressure.name, panel), _apart(saturation, panel, 1.0),
                  fixed(-1.2, 1.2), runs, near=NEAR)  # fmt: skip


def _apart(saturation: Callable[[Window], Floats], water: str, sign: float) -> Callable[[Window], Floats]:
    return lambda window: sign * (window.of(water) - saturation(window))


def _saturation(
    plant: Plant, pressure: str, quantity: str, chiller: str, described: str, side: str, window: Window
) -> Floats:
    absolute = (quantity == "pressure_absolute" or pressure in window.absolute) and pressure not in window.gauge
    kpa, refrigerant = window.of(pressure), window.refrigerants.get(chiller, described)
    if not absolute:
        kpa = absolute_kpaa(kpa, _station_kpa(plant, window))
    return saturation_c(kpa, refrigerant, bubble=side == "cond")


def _station_kpa(plant: Plant, window: Window) -> Floats:
    standard = standard_pressure_kpaa(plant.altitude_m)
    measured = window.of(weather_point(plant, "station_pressure") or "")
    # a wrong barometer must not make two refrigerant pressures look wrong
    return np.where(np.abs(measured - standard) < 6.0, measured, standard)
