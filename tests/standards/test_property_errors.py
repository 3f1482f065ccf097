"""Every property call against CoolProp over its whole range: the error that its docstring states is kept, and is small.

Implementation: the fits of plantview.calcs.water, refrigerant and air. Oracle: CoolProp 8.0.0.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI

from plantview.calcs.air import saturation_vapour_pressure_kpa, wet_bulb_c
from plantview.calcs.refrigerant import HIGH_C, LOW_C, REFRIGERANTS, saturation_c, saturation_pressure_kpaa
from plantview.calcs.water import density_kg_m3, enthalpy_kj_kg, freezing_c, heat_capacity_kj_kg_k
from tests.standards.test_refrigerant import COOLPROP

ZERO_K = 273.15
PERCENTS = (5, 10, 25, 40, 60)
FLUIDS = {"water": "Water"} | {f"{g} {x} %": f"INCOMP::{g}[{x / 100}]" for g in ("MEG", "MPG") for x in PERCENTS}
LOOP_PA = 400_000.0
Pairs = Iterator[tuple[float, float]]


def _of_fluids(ours: Callable[[float, str], float], key: str, per: float) -> Pairs:
    for fluid, mixture in FLUIDS.items():
        for at_c in np.linspace(0.05, 59.95, 40).tolist():
            yield ours(at_c, fluid), PropsSI(key, "T", at_c + ZERO_K, "P", LOOP_PA, mixture) / per


def _heats() -> Pairs:
    for cold_c in np.linspace(0.05, 54.0, 40).tolist():
        hot, cold = (PropsSI("H", "T", at_c + ZERO_K, "P", LOOP_PA, "Water") for at_c in (cold_c + 5.0, cold_c))
        yield enthalpy_kj_kg(cold_c + 5.0) - enthalpy_kj_kg(cold_c), (hot - cold) / 1_000.0


def _freezing() -> Pairs:
    for fluid, mixture in FLUIDS.items():
        if fluid != "water":
            yield freezing_c(fluid), PropsSI("T_FREEZE", "T", 300.0, "P", LOOP_PA, mixture) - ZERO_K


def _saturations() -> Iterator[tuple[float, float, float, float]]:
    for name in REFRIGERANTS:
        for bubble in (False, True):
            for at_c in np.linspace(LOW_C + 0.01, HIGH_C - 0.01, 25).tolist():
                kpa = PropsSI("P", "T", at_c + ZERO_K, "Q", 0 if bubble else 1, COOLPROP[name]) / 1_000.0
                found_kpa = saturation_pressure_kpaa(at_c, name, bubble=bubble)
                yield saturation_c(kpa, name, bubble=bubble), at_c, found_kpa, kpa


def _vapour() -> Pairs:
    for at_c in np.linspace(0.05, 60.0, 40).tolist():
        yield saturation_vapour_pressure_kpa(at_c), PropsSI("P", "T", at_c + ZERO_K, "Q", 0, "Water") / 1_000.0


def _wet_bulbs() -> Pairs:
    for dry_c in np.linspace(4.0, 50.0, 12).tolist():
        for humidity in (5.0, 20.0, 50.0, 80.0, 99.0):
            for kpa in (83.4, 101.325):
                oracle = HAPropsSI("B", "T", dry_c + ZERO_K, "R", humidity / 100.0, "P", kpa * 1_000.0) - ZERO_K
                if oracle > 0.5:  # below, the libraries choose between a wet and an iced wick differently
                    yield wet_bulb_c(dry_c, humidity, kpa), oracle


@dataclass(frozen=True, slots=True)
class Call:
    """A property call, (ours, CoolProp) over its range, and the unit in which its docstring states the error."""

    calc: Callable[..., object]
    pairs: Callable[[], Pairs]
    unit: str
    goal: float
    """What the error may be at most; a printed formula is kept as it is printed."""


CALLS = (
    Call(density_kg_m3, lambda: _of_fluids(density_kg_m3, "D", 1.0), "%", 0.02),
    Call(heat_capacity_kj_kg_k, lambda: _of_fluids(heat_capacity_kj_kg_k, "C", 1_000.0), "%", 0.02),
    Call(enthalpy_kj_kg, _heats, "%", 0.02),
    Call(freezing_c, _freezing, "K", 0.01),
    Call(saturation_c, lambda: ((found, at_c) for found, at_c, _, _ in _saturations()), "K", 0.01),
    Call(saturation_pressure_kpaa, lambda: ((found, kpa) for _, _, found, kpa in _saturations()), "%", 0.02),
    Call(saturation_vapour_pressure_kpa, _vapour, "%", 0.025),  # as printed by ASHRAE, eq. 6
    Call(wet_bulb_c, _wet_bulbs, "K", 0.03),  # as printed by ASHRAE, of ideal gases
)


@pytest.mark.parametrize("call", CALLS, ids=lambda call: call.calc.__name__)
def test_the_error_that_a_property_states_is_kept_and_is_not_idle(call: Call) -> None:
    text = inspect.getdoc(call.calc) or ""
    before = text[: text.index("CoolProp")] if call.calc is wet_bulb_c else text
    stated = [float(each) for each in re.findall(rf"within\s+([\d.]+)\s{call.unit}", before)][
        -1 if before != text else 0
    ]
    pairs = list(call.pairs())
    assert len(pairs) >= 10
    scale = 100.0 if call.unit == "%" else 1.0
    worst = max(abs(ours / oracle - 1.0 if call.unit == "%" else ours - oracle) for ours, oracle in pairs) * scale
    assert worst <= stated <= call.goal
