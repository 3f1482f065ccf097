"""Worked cases of uncertainty: formula of scalars or arrays, values, expanded uncertainties, correlations."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from plantview.calcs.approach import condenser_approach_k
from plantview.calcs.efficiency import kw_per_ton
from plantview.calcs.heat_balance import heat_balance_pct
from plantview.calcs.load import cooling_load_kw, heat_rejection_kw, rule_of_24_tons
from plantview.calcs.refrigerant import absolute_kpaa, saturation_c
from plantview.calcs.tower import tower_effectiveness_pct


@dataclass(frozen=True, slots=True)
class Case:
    """One value whose uncertainty is worked out in two ways."""

    name: str
    calc: Callable[..., Any]
    values: tuple[float, ...]
    u95: tuple[float, ...]
    correlation: Mapping[tuple[int, int], float] = field(default_factory=dict)


def _by_rule(power: Any, gpm: Any, hot_f: Any, cold_f: Any) -> Any:
    return power / rule_of_24_tons(gpm, hot_f - cold_f)


def _exact(power: Any, flow: Any, cold: Any, hot: Any) -> Any:
    return kw_per_ton(power, cooling_load_kw(flow, cold, hot))


def _balance(flow: Any, cold: Any, hot: Any, cw_flow: Any, entering: Any, leaving: Any, power: Any) -> Any:
    return heat_balance_pct(cooling_load_kw(flow, cold, hot), power, heat_rejection_kw(cw_flow, entering, leaving))


def _approach(gauge: Any, station: Any, leaving: Any) -> Any:
    return condenser_approach_k(saturation_c(absolute_kpaa(gauge, station), "R-134a"), leaving)


CASES = (
    Case("kW/ton of the GUM example", _by_rule, (250.0, 1_000.0, 54.0, 44.0), (2.5, 20.0, 0.2, 0.2)),
    Case("kW/ton, matched pair", _exact, (250.0, 63.09, 6.67, 12.22), (2.5, 1.26, 0.11, 0.11), {(2, 3): 0.875}),
    Case("heat balance", _balance, (63.09, 6.67, 12.22, 78.86, 29.44, 34.72, 250.0), (0.63, 0.11, 0.11, 0.79, 0.11, 0.11, 2.5)),
    Case("tower effectiveness", tower_effectiveness_pct, (34.7, 29.4, 23.9), (0.11, 0.11, 0.5), {(0, 1): 0.875}),
    Case("condenser approach from gauge pressure", _approach, (813.6, 101.3, 34.7), (5.0, 0.3, 0.11)),
)  # fmt: skip
