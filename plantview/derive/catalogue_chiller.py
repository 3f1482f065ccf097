"""What can be derived for one chiller."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Final

from plantview.calcs.air import standard_pressure_kpaa
from plantview.calcs.approach import (
    condenser_approach_k,
    evaporator_approach_k,
    lift_k,
    subcooling_k,
    superheat_k,
    water_delta_t_k,
    water_lift_k,
)
from plantview.calcs.efficiency import cop, kw_per_ton, load_pct
from plantview.calcs.heat_balance import heat_balance_pct
from plantview.calcs.load import KW_PER_TON, cooling_load_kw, heat_rejection_kw, rule_of_24_tons
from plantview.calcs.refrigerant import ESTIMATED, REFRIGERANTS, absolute_kpaa, saturation_c
from plantview.calcs.water import density_kg_m3
from plantview.derive.bindings import Row
from plantview.derive.catalogue_weather import weather_point
from plantview.derive.evidence import enough_load, power_signal, running, water_moves
from plantview.derive.gates import Doubtful
from plantview.errors import CalcError
from plantview.model.plant import Equipment, Plant, Port
from plantview.units import unit

_TEMPERATURE: Final = "temperature"
_DIFFERENCE: Final = "temperature_difference"
_ROOM_C: Final = 20.0
LOAD_NOTE: Final = "flow × density × enthalpy difference, flow metered in the supply leg; {fluid}"
TONS_NOTE: Final = "kW / 3.51685; the rule gpm × °F / 24 reads up to 0.6 % lower on chilled water"
RULE_NOTE: Final = "common practice, no source; beside the exact balance, from which it differs by up to 0.6 %"
BALANCE_NOTE: Final = "all input power taken to end in the refrigerant (hermetic machine)"


def same(value: float) -> float:
    """Return the value: the same quantity shown in another unit."""
    return value


def rule_kw(flow_l_s: float, supply_c: float, return_c: float) -> float:
    """Return the cooling load in kW as the rule of the trade has it."""
    gpm = unit("gpm", "flow").from_canonical(flow_l_s)
    return KW_PER_TON * rule_of_24_tons(gpm, 1.8 * water_delta_t_k(return_c, supply_c))


def chiller_rows(plant: Plant, chiller: Equipment) -> tuple[Row, ...]:
    """Return every row of a chiller, inputs before what is made from them."""
    return (*_water_rows(plant, chiller), *_saturation_rows(plant, chiller), *_machine_rows(plant, chiller))


def fluid_of(plant: Plant, port: Port) -> str:
    """Return what fills the loop in which a port stands."""
    place = plant.stage_with(port)
    return place[0].fluid if place else "water"


def unknown_fluid(fluid: str) -> str:
    """Return why nothing can be said about a fluid; empty for one with data."""
    try:
        density_kg_m3(_ROOM_C, fluid)
    except CalcError as error:
        return str(error)
    return ""


def recovers_heat(plant: Plant, chiller: Equipment) -> str:
    """Return why condenser heat is not all heat, for a machine with heat recovery; empty for others."""
    recovery = plant.stage_with(Port(chiller.id, "recovery"))
    return f"{chiller.id} also rejects heat into its recovery circuit" if recovery else ""


def _water_rows(plant: Plant, chiller: Equipment) -> tuple[Row, ...]:
    on = running(plant, chiller)
    chilled, condenser = (fluid_of(plant, Port(chiller.id, side)) for side in ("evaporator", "condenser"))
    design_kw = chiller.design.get("cooling_capacity")
    part = functools.partial(load_pct, design_kw=design_kw or 0.0)
    return (
        Row("chw_delta_t", _DIFFERENCE, "chilled water ΔT", ("chwr_temp", "chws_temp"), water_delta_t_k,
            water_moves(plant, chiller, "chw"), "entering less leaving chilled water"),
        Row("cw_delta_t", _DIFFERENCE, "condenser water ΔT", ("cwr_temp", "cws_temp"), water_delta_t_k,
            water_moves(plant, chiller, "cw"), "leaving less entering condenser water"),
        Row("cooling_load", "heat_flow", "cooling load", ("chw_flow", "chws_temp", "chwr_temp"),
            functools.partial(cooling_load_kw, fluid=chilled), on, LOAD_NOTE.format(fluid=chilled), when_off=0.0,
            why_not=unknown_fluid(chilled)),
        Row("cooling_load_tons", "heat_flow", "cooling load in tons", ("cooling_load",), same,
            note=TONS_NOTE, unit="ton"),
        Row("cooling_load_rule", "heat_flow", "cooling load by the rule gpm × °F / 24", ("chw_flow", "chws_temp", "chwr_temp"),
            rule_kw, on, RULE_NOTE, unit="ton", when_off=0.0,
            why_not="" if chilled == "water" else f"the rule holds for water, not for {chilled}"),
        Row("load_pct", "percent", "part load", ("cooling_load",), part,
            note=f"of {design_kw or 0:g} kW design cooling capacity",
            why_not="" if design_kw else f"{chiller.id} has no design cooling_capacity"),
        Row("heat_rejection", "heat_flow", "heat rejection", ("cw_flow", "cws_temp", "cwr_temp"),
            functools.partial(heat_rejection_kw, fluid=condenser), on, LOAD_NOTE.format(fluid=condenser), when_off=0.0,
            why_not=unknown_fluid(condenser)),
    )  # fmt: skip


def _saturation_rows(plant: Plant, chiller: Equipment) -> tuple[Row, ...]:
    return (
        *_saturation(plant, chiller, "evap", "evaporating saturation temperature", bubble=False),
        *_saturation(plant, chiller, "cond", "condensing saturation temperature", bubble=True),
    )


def _saturation(plant: Plant, chiller: Equipment, side: str, label: str, *, bubble: bool) -> tuple[Row, ...]:
    name, pressure = f"{side}_saturation", plant.point(chiller.id, f"{side}_pressure")
    panel = Row(name, _TEMPERATURE, label, (f"{side}_sat_temp",), same, note="as the chiller's panel reports it")
    if pressure is None:
        return (panel,)
    refrigerant = chiller.traits.get("refrigerant", "")
    known = f"known: {', '.join(REFRIGERANTS)}"
    why_not = (
        ""
        if refrigerant in REFRIGERANTS
        else (
            f"no saturation data for {refrigerant}; {known}"
            if refrigerant
            else f"{chiller.id} names no refrigerant; {known}"
        )
    )
    at_pressure = functools.partial(saturation_c, refrigerant=refrigerant, bubble=bubble)
    inputs, calc, how = _absolute(plant, pressure.name, pressure.quantity, at_pressure)
    doubt = (Doubtful(f"{refrigerant} is an {ESTIMATED[refrigerant]}"),) if refrigerant in ESTIMATED else ()
    return (Row(name, _TEMPERATURE, label, inputs, calc, doubt, f"{refrigerant} at {how}", why_not=why_not), panel)


def _absolute(
    plant: Plant, pressure: str, quantity: str, at_pressure: Callable[[float], float]
) -> tuple[tuple[str, ...], Callable[..., float], str]:
    """Return the inputs, the calc and the words for a saturation from a gauge or absolute pressure."""
    if quantity == "pressure_absolute":
        return (pressure,), at_pressure, "the measured absolute pressure"
    station = weather_point(plant, "station_pressure")
    if station:
        return (
            (pressure, station),
            lambda gauge, air: at_pressure(absolute_kpaa(gauge, air)),
            "gauge plus measured station pressure",
        )
    standard = standard_pressure_kpaa(plant.altitude_m)
    return (
        (pressure,),
        lambda gauge: at_pressure(absolute_kpaa(gauge, standard)),
        f"gauge plus the standard pressure of {plant.altitude_m:g} m",
    )


def _machine_rows(plant: Plant, chiller: Equipment) -> tuple[Row, ...]:
    on = running(plant, chiller)
    loaded = (*on, *enough_load(plant, chiller, "chw"))
    power = power_signal(plant, chiller.id) or "power"
    only = f"{chiller.id} alone, by {power}"
    return (
        Row("kw_per_ton", "efficiency", "efficiency", (power, "cooling_load_tons"), kw_per_ton, loaded, only),
        Row("cop", "ratio", "COP", ("cooling_load", power), cop, loaded, only),
        Row("evap_approach", _DIFFERENCE, "evaporator approach", ("chws_temp", "evap_saturation"),
            evaporator_approach_k, on, "leaving chilled water less evaporating temperature"),
        Row("cond_approach", _DIFFERENCE, "condenser approach", ("cond_saturation", "cwr_temp"),
            condenser_approach_k, on, "condensing temperature less leaving condenser water"),
        Row("lift", _DIFFERENCE, "refrigerant lift", ("cond_saturation", "evap_saturation"), lift_k, on,
            "condensing less evaporating temperature"),
        Row("water_lift", _DIFFERENCE, "water lift", ("cwr_temp", "chws_temp"), water_lift_k, on,
            "leaving condenser water less leaving chilled water"),
        Row("subcooling", _DIFFERENCE, "subcooling", ("cond_saturation", "liquid_temp"), subcooling_k, on,
            "condensing temperature less liquid line"),
        Row("superheat", _DIFFERENCE, "superheat", ("suction_temp", "evap_saturation"), superheat_k, on,
            "suction less evaporating temperature"),
        Row("heat_balance", "percent", "heat balance", ("cooling_load", power, "heat_rejection"), heat_balance_pct,
            (*loaded, *enough_load(plant, chiller, "cw")), BALANCE_NOTE, why_not=recovers_heat(plant, chiller)),
    )  # fmt: skip
