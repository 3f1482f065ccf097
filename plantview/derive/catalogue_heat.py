"""Cooling load and heat rejection of the plant: the sum of its chillers, or the balance of a header."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from plantview.calcs.load import cooling_load_kw, heat_rejection_kw
from plantview.derive.bindings import Row
from plantview.derive.catalogue_chiller import RULE_NOTE, TONS_NOTE, rule_kw, same, unknown_fluid
from plantview.derive.evidence import loop_moves
from plantview.derive.power import add
from plantview.derive.rings import header_temp, last_header_temp, through_meters
from plantview.model.plant import Loop, Plant

Heat = Callable[[float, float, float, str], float]
"""Heat of a flow [L/s] between a cold and a hot temperature [°C] of a fluid [kW]."""
_CALC: Final[dict[str, Heat]] = {"chilled": cooling_load_kw, "condenser": heat_rejection_kw}
_RULE: Final = "cooling_load_rule"
_SERVICES: Final = {"chilled": ("CHWS", "CHWR"), "condenser": ("CWS", "CWR")}
# a kind of stage, and whether its cold water is what enters it; meter and sensors must stand at one stage
_PLACES: Final = {
    "chilled": (("coil", True), ("chiller", False)),
    "condenser": (("chiller", True), ("tower_cell", False)),
}


def heat_rows(plant: Plant) -> tuple[Row, ...]:
    """Return the rows of the plant's cooling load, exact and by the rule of the trade, and of its heat rejection."""
    load, rejection = (_CALC[water] for water in ("chilled", "condenser"))
    rule = _sum_or_header(plant, _RULE, "cooling load by the rule gpm × °F / 24", "chilled", _by_rule)
    return (
        *_sum_or_header(plant, "cooling_load", "cooling load", "chilled", load),
        Row("cooling_load_tons", "heat_flow", "plant cooling load in tons", ("cooling_load",), same,
            note=TONS_NOTE, unit="ton"),
        *(replace(each, unit="ton", note=f"{each.note}; {RULE_NOTE}") for each in rule),
        *_sum_or_header(plant, "heat_rejection", "heat rejection", "condenser", rejection),
    )  # fmt: skip


def economiser(plant: Plant) -> bool:
    """Return whether a heat exchanger may cool the chilled water beside the chillers."""
    loop = plant.loop_of("chilled")
    return loop is not None and bool(loop.stages_of("heat_exchanger"))


def _by_rule(flow_l_s: float, cold_c: float, hot_c: float, fluid: str) -> float:
    del fluid  # asked only where it is water
    return rule_kw(flow_l_s, cold_c, hot_c)


def _sum_or_header(plant: Plant, name: str, label: str, water: str, calc: Heat) -> tuple[Row, ...]:
    """Return the ways to the plant's heat, best first; with an economiser the sum would leave it out."""
    terms = tuple(f"{chiller.id}.{name}" for chiller in plant.of_kind("chiller"))
    summed = Row(
        name,
        "heat_flow",
        f"plant {label}",
        terms,
        add,
        note=f"sum of {', '.join(terms)}",
        why_not="" if terms else "the plant has no chiller",
    )
    loop = plant.loop_of(water)
    if loop is None:
        return (summed,)
    header = tuple(_header_heat(plant, loop, name, label, place, calc) for place in _PLACES[water])
    return header if economiser(plant) else (summed, *header)


def _header_heat(plant: Plant, loop: Loop, name: str, label: str, place: tuple[str, bool], calc: Heat) -> Row:
    kind, cold_enters = place
    supply, back = _SERVICES[loop.water]
    pick_cold, pick_hot = (last_header_temp, header_temp) if cold_enters else (header_temp, last_header_temp)
    cold, hot = pick_cold(plant, loop, supply, kind), pick_hot(plant, loop, back, kind)
    stages = loop.stages_of(kind)
    meters = through_meters(plant, loop, stages[0]) if len(stages) == 1 else ()
    moving = loop_moves(plant, loop)

    def heat_kw(cold_c: float, hot_c: float, *flows_l_s: float) -> float:
        return calc(add(*flows_l_s), cold_c, hot_c, loop.fluid)

    lacking = f"neither all chillers nor the headers of loop {loop.id} measure flow and both temperatures"
    no_rule = f"the rule holds for water, not for {loop.fluid}" if name == _RULE and loop.fluid != "water" else ""
    why_not = no_rule or unknown_fluid(loop.fluid) if meters and cold and hot and moving else lacking
    note = f"header balance: {' + '.join(meters)}, {cold}, {hot}; {loop.fluid}"
    return Row(name, "heat_flow", f"plant {label}", (cold, hot, *meters), heat_kw, moving, note, why_not=why_not)
