"""The 83 check values: how each is worked out here, and what worked it out before.

``check_values.json`` holds what was computed once with the oracle that its ``how`` names; a
test asks that no implementation computes with the library that its oracle is.
"""

from __future__ import annotations

import ast
import importlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from plantview.calcs.air import standard_pressure_kpaa, wet_bulb_c
from plantview.calcs.approach import lift_target_k
from plantview.calcs.chiller_model import gordon_ng_power_kw
from plantview.calcs.efficiency import cop_of_kw_per_ton, eer_of_kw_per_ton, iplv_cop, iplv_kw_per_ton, kw_per_ton
from plantview.calcs.flow import barrel_flow_l_s, valve_flow_l_s
from plantview.calcs.heat_balance import heat_balance_tolerance_pct
from plantview.calcs.load import KW_PER_TON, rule_of_24_tons, tons, water_heat_kw
from plantview.calcs.pump import affinity_power_kw, hydraulic_power_kw
from plantview.calcs.reconcile import chi2_limit, reconcile
from plantview.calcs.refrigerant import absolute_kpaa, saturation_c, saturation_pressure_kpaa
from plantview.calcs.tower import tower_effectiveness_pct
from plantview.calcs.tower_model import merkel_number, variable_speed_approach_k
from plantview.calcs.uncertainty import COVERAGE_95, expanded
from plantview.calcs.water import density_kg_m3, heat_capacity_kj_kg_k
from plantview.simulator.curves import INLET_VANES, VARIABLE_SPEED

Inputs = Mapping[str, Any]
ROWS: list[dict[str, Any]] = json.loads((Path(__file__).parent / "check_values.json").read_text(encoding="utf-8"))
GAL_M3, KPA_PER_PSI, BTU_KJ = 3.785411784e-3, 6.894757293168, 1.05505585262
SEA_LEVEL_KPAA = 101.325
KPA_PER_FT = 33_000 / 3_960 * 1_728 / 231 / 144 * KPA_PER_PSI
"""A foot of the water that gpm × ft / 3960 has in mind: 33 000 ft·lb/min to the horsepower, 8.3333 lb/gal."""
REFRIGERANTS = {
    "R134a": "R-134a", "R513A.mix": "R-513A", "R1233zd(E)": "R-1233zd(E)", "R123": "R-123", "R1234ze(E)": "R-1234ze(E)",
}  # fmt: skip
CONDENSER_KW_K = 113.56 * 4.186


def c(fahrenheit: float) -> float:
    """Return °C."""
    return (fahrenheit - 32.0) / 1.8


def l_s(gpm: float) -> float:
    """Return L/s."""
    return gpm * GAL_M3 / 60.0 * 1_000.0


def _exact(i: Inputs) -> float:
    return float(tons(water_heat_kw(l_s(i["gpm"]), c(i["cold_F"]), c(i["hot_F"]), c(i["meter_F"]))))


def _factor(at_f: float, fluid: str = "water") -> float:
    """Return Btu/h per gpm·°F, the 500 of the trade."""
    return float(density_kg_m3(c(at_f), fluid) * GAL_M3 * 60 * heat_capacity_kj_kg_k(c(at_f), fluid) / BTU_KJ / 1.8)


def _glycol(i: Inputs) -> float:
    return float(_factor(i["T_F"], f"{i['fluid'].removeprefix('INCOMP::')} {i['mass_pct']} %"))


def _iplv(i: Inputs) -> float:
    ratings = (i["A"], i["B"], i["C"], i["D"])
    return float(iplv_kw_per_ton(*ratings) if i["A"] < 1 else iplv_cop(*ratings))


def _wet_bulb(i: Inputs) -> float:
    station = standard_pressure_kpaa(i["alt_ft"] * 0.3048)
    return float(wet_bulb_c(c(i["db_F"]), 100.0 * i["rh"], station) * 1.8 + 32.0)


def _horsepower(i: Inputs) -> float:
    return float(hydraulic_power_kw(l_s(i["gpm"]), i["ft"] * KPA_PER_FT * i["SG"]) / 0.745699872)


def _reformulated(i: Inputs) -> float:
    load_kw = i["load_frac"] * VARIABLE_SPEED.capacity_kw
    leaving_c, power_kw = i["CWS_C"] + 4.0, 0.0
    for _ in range(60):
        power_kw = VARIABLE_SPEED.power_kw(load_kw, i["CHWS_C"], leaving_c)
        leaving_c = i["CWS_C"] + (load_kw + power_kw) / CONDENSER_KW_K
    return float(kw_per_ton(power_kw, load_kw))


def _gordon_ng(i: Inputs) -> float:
    parameters = (7.88867419e-2, 1.10843216e2, 7.95598306e-2)
    return float(gordon_ng_power_kw(c(i["TWEI_F"]), c(i["TWCI_F"]), i["tons"] * KW_PER_TON, *parameters))


def _reconcile(i: Inputs) -> dict[str, Any]:
    if len(i["y"]) == 6:
        spreads = [COVERAGE_95 * i["sigma"]] * 6
        found = reconcile(i["y"], spreads, lambda x: [x[0] - x[1] - x[2], x[1] - x[3], x[2] - x[4], x[3] + x[4] - x[5]])
        return {"xhat": found.values, "chi2": found.chi2, "crit95_4": chi2_limit(4)}
    spreads = [value * pct / 100.0 for value, pct in zip(i["y"], i["u95_pct"], strict=True)]
    found = reconcile(i["y"], spreads, lambda x: [x[0] - x[1] - x[2]])
    return {"xhat": found.values, "chi2": found.chi2, "crit": found.limit}


def _by_rule(power_kw: float, gpm: float, hot_f: float, cold_f: float) -> float:
    return power_kw / rule_of_24_tons(gpm, hot_f - cold_f)


def _uncertainty(i: Inputs) -> float:
    values = (i["kW"], i["gpm"], i["Tin"], i["Tout"])
    spreads = (i["kW"] * i["u_kW_pct"] / 100, i["gpm"] * i["u_flow_pct"] / 100, i["u_T_F"], i["u_T_F"])
    return 100.0 * expanded(_by_rule, values, spreads, {}) / _by_rule(*values)


@dataclass(frozen=True, slots=True)
class Way:
    """How one kind of check value is worked out here."""

    work_out: Callable[[Inputs], Any]
    implementation: str
    """Module that does it."""
    oracle: str
    """Library, publication or arithmetic that gave the value."""


WAYS: dict[str, Way] = {
    "load": Way(lambda i: rule_of_24_tons(i["gpm"], i["t_in_F"] - i["t_out_F"]), "plantview.calcs.load", "arithmetic"),
    "load_exact": Way(_exact, "plantview.calcs.load", "CoolProp"),
    "factor500": Way(lambda i: _factor(i["T_F"]), "plantview.calcs.water", "CoolProp"),
    "glycol_factor": Way(_glycol, "plantview.calcs.water", "CoolProp"),
    "convert": Way(
        lambda i: [cop_of_kw_per_ton(i["kw_per_ton"]), eer_of_kw_per_ton(i["kw_per_ton"])],
        "plantview.calcs.efficiency", "arithmetic",
    ),
    "iplv": Way(_iplv, "plantview.calcs.efficiency", "arithmetic"),
    "ari_tol": Way(
        lambda i: heat_balance_tolerance_pct(100.0 * i["load"], 10.0 / 1.8), "plantview.calcs.heat_balance",
        "ARI 550/590 of 1998 and 2003, from memory",
    ),
    "psat": Way(
        lambda i: saturation_pressure_kpaa(c(i["T_F"]), REFRIGERANTS[i["refrigerant"]]) / KPA_PER_PSI,
        "plantview.calcs.refrigerant", "CoolProp",
    ),
    "tsat": Way(
        lambda i: 1.8 * saturation_c(absolute_kpaa(i["psig"] * KPA_PER_PSI, SEA_LEVEL_KPAA), REFRIGERANTS[i["refrigerant"]])
        + 32.0,
        "plantview.calcs.refrigerant", "CoolProp",
    ),
    "wetbulb": Way(_wet_bulb, "plantview.calcs.air", "psychrolib"),
    "tower_eff": Way(
        lambda i: tower_effectiveness_pct(i["ewt"], i["lwt"], i["wb"]), "plantview.calcs.tower", "arithmetic"
    ),
    "tower27": Way(
        lambda i: variable_speed_approach_k(i["range_K"], i["twb_C"], i["FRw"], i["FRa"]),
        "plantview.calcs.tower_model", "EnergyPlus Engineering Reference, evaluated by another program",
    ),
    "merkel": Way(
        lambda i: merkel_number(c(i["ewt"]), c(i["lwt"]), c(i["wb"]), i["LG"]), "plantview.calcs.tower_model", "psychrolib"
    ),
    "whp": Way(_horsepower, "plantview.calcs.pump", "arithmetic"),
    "affinity": Way(lambda i: affinity_power_kw(1.0, i["speed_ratio"]), "plantview.calcs.pump", "arithmetic"),
    "barrel": Way(
        lambda i: barrel_flow_l_s(i["dP_ft"] * KPA_PER_FT, l_s(i["Qd"]), i["dPd_ft"] * KPA_PER_FT) / l_s(1.0),
        "plantview.calcs.flow", "arithmetic",
    ),
    "cv": Way(
        lambda i: valve_flow_l_s(i["Cv"], i["dp_psi"] * KPA_PER_PSI) / l_s(1.0), "plantview.calcs.flow", "arithmetic"
    ),
    "reir": Way(_reformulated, "plantview.simulator.curves", "EnergyPlus 22.1 equations, evaluated by another program"),
    "eir": Way(
        lambda i: INLET_VANES.power_kw(i["load_frac"] * INLET_VANES.capacity_kw, i["CHWS_C"], i["CWS_C"]),
        "plantview.simulator.curves", "EnergyPlus 22.1 equations, evaluated by another program",
    ),
    "gordon_ng": Way(_gordon_ng, "plantview.calcs.chiller_model", "fit to ASHRAE RP-1043, evaluated by another program"),
    "reconcile": Way(_reconcile, "plantview.calcs.reconcile", "linear algebra by another program"),
    "uncertainty": Way(_uncertainty, "plantview.calcs.uncertainty", "root sum of squares"),
    "g36_lift": Way(
        lambda i: 1.8 * lift_target_k(i["plr"], i["minLift"] / 1.8, i["maxLift"] / 1.8), "plantview.calcs.approach",
        "arithmetic",
    ),
}  # fmt: skip


def misses(row: Mapping[str, Any]) -> list[tuple[float, float]]:
    """Return (found, expected) of every number of a check value that is beyond its tolerance."""
    found, expected = WAYS[row["id"]].work_out(row["inputs"]), row["expected"]
    pairs = list(zip(_flat(found), _flat(expected), strict=True))
    return [(one, other) for one, other in pairs if not abs(one - other) <= row["tol"]]


def _flat(value: Any) -> list[float]:
    if isinstance(value, Mapping):
        return [number for key in value for number in _flat(value[key])]
    if isinstance(value, (list, tuple)):
        return [number for each in value for number in _flat(each)]
    return [float(value)]


def libraries_behind(module: str) -> set[str]:
    """Return every library that a module of ours imports, itself or through others of ours."""
    seen, left, found = set[str](), [module], set[str]()
    while left:
        name = left.pop()
        if name in seen:
            continue
        seen.add(name)
        source = Path(importlib.import_module(name).__file__ or "").read_text(encoding="utf-8")
        for item in ast.walk(ast.parse(source)):
            if isinstance(item, ast.Import):
                found.update(each.name for each in item.names)
            elif isinstance(item, ast.ImportFrom) and item.module:
                (left.append if item.module.startswith("plantview.") else found.add)(item.module)
    return {name.partition(".")[0] for name in found}
