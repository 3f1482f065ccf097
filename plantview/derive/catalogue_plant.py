"""What can be derived for the plant as a whole; every value is made from named values that are shown too."""

from __future__ import annotations

from typing import Final

from plantview.calcs.approach import water_delta_t_k
from plantview.calcs.efficiency import cop, kw_per_ton
from plantview.calcs.heat_balance import heat_balance_pct
from plantview.calcs.tower import tower_approach_k, tower_effectiveness_pct, tower_range_k
from plantview.derive.bindings import Row
from plantview.derive.catalogue_blend import blend_rows
from plantview.derive.catalogue_chiller import BALANCE_NOTE, recovers_heat
from plantview.derive.catalogue_heat import economiser, heat_rows
from plantview.derive.catalogue_tower import WET_BULB, riser_open
from plantview.derive.evidence import DELTA_T_FLOOR_K, OPEN_PCT, any_chiller_runs, loop_moves, power_signal
from plantview.derive.gates import Evidence, Gate, Reaches, Unmixed
from plantview.derive.power import add, not_metered, total_power
from plantview.derive.rings import header_temp, last_header_temp
from plantview.model.plant import Equipment, Loop, Plant

PLANT: Final = "PLANT"
LOAD_SHARE: Final = 0.05
"""Of the smallest chiller's capacity: below it plant kW/ton is noise (our own choice)."""
_DIFFERENCE: Final = "temperature_difference"


def plant_rows(plant: Plant) -> tuple[Row, ...]:
    """Return every row of the plant, inputs before what is made from them."""
    power = _power_rows(plant)
    return (*power, *heat_rows(plant), *_ratio_rows(plant, power[-1].note), *_water_rows(plant), *_tower_rows(plant))


def _power_rows(plant: Plant) -> tuple[Row, ...]:
    """Return the power of each group and, last, of all of them."""
    groups: tuple[tuple[str, str, tuple[Equipment, ...]], ...] = (
        ("chillers_power", "chillers", plant.of_kind("chiller")),
        ("pumps_power", "pumps", plant.of_kind("pump")),
        ("towers_power", "tower fans", plant.of_kind("fan")),
    )
    totals = tuple(total_power(plant, name, f"power of the {words}", machines) for name, words, machines in groups)
    metered = [(name, words) for (name, words, _), row in zip(groups, totals, strict=True) if not row.why_not]
    left_out = not_metered(plant, [machine for _, _, machines in groups for machine in machines])
    total = Row(
        "power_input",
        "power",
        "plant power",
        tuple(name for name, _ in metered),
        add,
        note=" + ".join(words for _, words in metered) + left_out,
        why_not="" if metered else "no machine measures power",
    )
    return (*totals, total)


def _ratio_rows(plant: Plant, boundary: str) -> tuple[Row, ...]:
    chillers = plant.of_kind("chiller")
    floor_kw = LOAD_SHARE * min((chiller.design.get("cooling_capacity", 0.0) for chiller in chillers), default=0.0)
    little = f"plant cooling load is below {floor_kw:.0f} kW"
    on = () if economiser(plant) else any_chiller_runs(plant)
    loaded = (*on, Reaches((Evidence(f"{PLANT}.cooling_load", floor_kw, little),)))
    unmetered = [chiller.id for chiller in chillers if not power_signal(plant, chiller.id)]
    left_out = f"{', '.join(unmetered)}: power not measured, the ratio would leave it out" if unmetered else ""
    elsewhere = "an economiser cools too" if economiser(plant) else ""
    unbalanced = next(filter(None, (recovers_heat(plant, chiller) for chiller in chillers)), "")
    return (
        Row(
            "kw_per_ton",
            "efficiency",
            "plant efficiency",
            ("power_input", "cooling_load_tons"),
            kw_per_ton,
            loaded,
            boundary,
            why_not=left_out,
        ),
        Row("cop", "ratio", "plant COP", ("cooling_load", "power_input"), cop, loaded, boundary, why_not=left_out),
        Row(
            "heat_balance",
            "percent",
            "plant heat balance",
            ("cooling_load", "chillers_power", "heat_rejection"),
            heat_balance_pct,
            loaded,
            BALANCE_NOTE,
            why_not=left_out or elsewhere or unbalanced,
        ),
    )


def _water_rows(plant: Plant) -> tuple[Row, ...]:
    rows: list[Row] = [*blend_rows(plant)]
    chilled, condenser = plant.loop_of("chilled"), plant.loop_of("condenser")
    if chilled is not None:
        cold = header_temp(plant, chilled, "CHWS", "chiller")
        hot = header_temp(plant, chilled, "CHWR", "coil")
        rows.append(_delta_t(plant, chilled, "chw_delta_t", "plant chilled water ΔT", (cold, hot)))
    if condenser is not None:
        rows.append(
            _delta_t(plant, condenser, "cw_delta_t", "plant condenser water ΔT", _tower_temps(plant, condenser))
        )
    return tuple(rows)


def _delta_t(plant: Plant, loop: Loop, name: str, label: str, temps: tuple[str, str]) -> Row:
    cold, hot = temps
    return Row(
        name,
        _DIFFERENCE,
        label,
        (hot, cold),
        water_delta_t_k,
        loop_moves(plant, loop),
        f"{hot} less {cold}",
        why_not=_lacking(plant, loop, cold, hot),
    )


def _tower_temps(plant: Plant, loop: Loop) -> tuple[str, str]:
    """Return the header temperatures of CWS (as near to the condensers as there is one) and CWR."""
    return last_header_temp(plant, loop, "CWS", "chiller"), header_temp(plant, loop, "CWR", "chiller")


def _lacking(plant: Plant, loop: Loop, cold: str, hot: str) -> str:
    for words, found in (("supply", cold), ("return", hot)):
        if not found:
            return f"no {words} header of loop {loop.id} measures its temperature"
    return "" if loop_moves(plant, loop) else f"nothing tells whether water moves in loop {loop.id}"


def _tower_rows(plant: Plant) -> tuple[Row, ...]:
    loop = plant.loop_of("condenser")
    if loop is None:
        return ()
    cws, cwr = _tower_temps(plant, loop)
    why_not = _lacking(plant, loop, cws, cwr)
    wet = _towers_wet(plant, loop)
    small = f"tower range is below {DELTA_T_FLOOR_K:g} K"
    cooling = Reaches((Evidence(f"{PLANT}.tower_range", DELTA_T_FLOOR_K, small),))
    return (
        Row(
            "tower_range",
            _DIFFERENCE,
            "tower range",
            (cwr, cws),
            tower_range_k,
            wet,
            f"{cwr} less {cws}",
            why_not=why_not,
        ),
        Row(
            "tower_approach",
            _DIFFERENCE,
            "tower approach",
            (cws, WET_BULB),
            tower_approach_k,
            wet,
            f"{cws} less outdoor wet bulb",
            why_not=why_not,
        ),
        Row(
            "tower_effectiveness",
            "percent",
            "tower effectiveness",
            (cwr, cws, WET_BULB),
            tower_effectiveness_pct,
            (*wet, cooling),
            "range / (range + approach)",
            why_not=why_not,
        ),
    )


def _towers_wet(plant: Plant, loop: Loop) -> tuple[Gate, ...]:
    """Return what proves that the towers cool, and doubts CWS while a tower bypass mixes into it."""
    header = next((stage.start for stage in loop.stages_of("tower_cell")), loop.start)
    valves = [valve for bypass in loop.bypasses for valve in bypass.via if f"{valve}.position" in plant.points]
    means = "CWS is mixed with water that passed the towers by"
    mixed = tuple(Unmixed(valve, f"{valve}.position", OPEN_PCT, means) for valve in valves)
    return (*loop_moves(plant, loop), *riser_open(plant, loop, header), *mixed)
