"""Plants that measure less, or otherwise, than the examples: what binds, what does not and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from plantview import units
from plantview.derive import Derivation
from plantview.model.plant import Bypass, Equipment, Plant, Port, Stage
from plantview.model.point import Point
from plantview.model.quality import Quality
from plantview.model.reading import Reading, good
from tests.frames import NOW_MS, Change, frame_of
from tests.unit.derive_frames import LARKFIELD, LOAD_TONS, SILENT, derived, number

STATION_KPAA = 101.325


def without(plant: Plant, *names: str) -> Plant:
    """Return the plant with points taken out."""
    assert set(names) <= set(plant.points), "a point that is taken out must have been there"
    return replace(plant, points={name: point for name, point in plant.points.items() if name not in names})


def with_point(plant: Plant, name: str, like: str, quantity: str, unit: str) -> Plant:
    """Return the plant with one more point, read from the device that reads another."""
    equipment, _, measurement = name.partition(".")
    point = replace(
        plant.points[like],
        name=name,
        equipment=equipment,
        measurement=measurement,
        quantity=quantity,
        unit=units.unit(unit, quantity),
        states={},
    )
    return replace(plant, points={**plant.points, name: point})


def with_trait(plant: Plant, machine: str, traits: Mapping[str, str]) -> Plant:
    """Return the plant with other traits of one machine."""
    changed = replace(plant.equipment[machine], traits={**plant.equipment[machine].traits, **traits})
    return replace(plant, equipment={**plant.equipment, machine: changed})


def readings(plant: Plant, changes: Mapping[str, Change] | None = None) -> dict[str, Reading]:
    """Return what is derived from the larkfield frame, as far as this plant has its points."""
    return derived(plant, {name: each for name, each in LARKFIELD.items() if name in plant.points}, changes)


@pytest.mark.parametrize(
    ("name", "signals", "unbound"),
    [("larkfield", 161, "tower-bypass.flow"), ("orchard", 63, "CT-1.approach")],
)
def test_both_example_plants_bind(request: pytest.FixtureRequest, name: str, signals: int, unbound: str) -> None:
    derivation = Derivation(request.getfixturevalue(name))
    assert len(derivation.signals) == signals
    assert unbound in derivation.unbound
    assert not set(derivation.signals) & set(derivation.unbound)


def test_an_unknown_refrigerant_is_not_bound_and_says_which_are_known(larkfield: Plant) -> None:
    derivation = Derivation(with_trait(larkfield, "CH-1", {"refrigerant": "R-22"}))
    assert "CH-1.evap_saturation" not in derivation.signals
    assert derivation.unbound["CH-1.evap_saturation"].startswith("no saturation data for R-22; known: R-134a")
    assert derivation.unbound["CH-1.cond_approach"].startswith("no saturation data for R-22")
    assert "CH-2.cond_approach" in derivation.signals


def test_a_chiller_that_names_no_refrigerant_is_told_so(larkfield: Plant) -> None:
    derivation = Derivation(with_trait(larkfield, "CH-1", {"refrigerant": ""}))
    assert derivation.unbound["CH-1.evap_saturation"].startswith("CH-1 names no refrigerant")


def test_the_panels_own_saturation_temperature_serves_where_the_refrigerant_is_unknown(larkfield: Plant) -> None:
    plant = with_trait(larkfield, "CH-1", {"refrigerant": "R-22"})
    plant = with_point(plant, "CH-1.evap_sat_temp", "CH-1.chws_temp", "temperature", "degF")
    found = readings(plant, {"CH-1.evap_sat_temp": 42.0})
    assert found["CH-1.evap_saturation"].value == pytest.approx(10 / 1.8)
    assert found["CH-1.evap_approach"].value == pytest.approx(2 / 1.8)
    assert "CH-1.evap_saturation" not in Derivation(plant).unbound


def test_an_absolute_pressure_needs_no_barometer(larkfield: Plant) -> None:
    plant = with_point(larkfield, "CH-1.evap_pressure", "CH-1.evap_pressure", "pressure_absolute", "psia")
    found = readings(plant, {"CH-1.evap_pressure": 51.701, "WEATHER.station_pressure": SILENT})
    assert number(found["CH-1.evap_saturation"]) * 1.8 + 32 == pytest.approx(42.0, abs=0.02)
    assert found["CH-1.cond_saturation"].quality is Quality.BAD


def test_without_a_barometer_the_altitude_stands_in_and_the_note_says_so(larkfield: Plant) -> None:
    plant = replace(without(larkfield, "WEATHER.station_pressure"), altitude_m=0.0)
    found, signals = readings(plant), Derivation(plant).signals
    assert number(found["CH-1.evap_saturation"]) * 1.8 + 32 == pytest.approx(41.995, abs=0.02)
    assert number(found["PLANT.wet_bulb"]) * 1.8 + 32 == pytest.approx(75.076, abs=0.03)
    assert "standard pressure of 0 m" in signals["CH-1.evap_saturation"].note
    assert "standard pressure of 0 m" in signals["PLANT.wet_bulb"].note


def test_a_measured_wet_bulb_is_preferred(larkfield: Plant) -> None:
    plant = with_point(larkfield, "WEATHER.wet_bulb", "WEATHER.dry_bulb", "temperature", "degF")
    assert readings(plant, {"WEATHER.wet_bulb": 77.0})["PLANT.wet_bulb"].value == pytest.approx(25.0)


def test_pumps_without_a_meter_are_named_as_not_included(larkfield: Plant) -> None:
    plant = without(larkfield, "PCHWP-1.power", "PCHWP-2.power", "PCHWP-3.power")
    note = Derivation(plant).signals["PLANT.kw_per_ton"].note
    assert note == "chillers + pumps + tower fans; not metered: PCHWP-1, PCHWP-2, PCHWP-3"
    assert readings(plant)["PLANT.power_input"].value == 250.0 + 50.0 + 12.0


def test_without_any_fan_meter_towers_are_left_out_and_named(larkfield: Plant) -> None:
    plant = without(larkfield, "CT-1-FAN.power", "CT-2-FAN.power", "CT-3-FAN.power")
    derivation = Derivation(plant)
    assert derivation.unbound["PLANT.towers_power"] == "none of its machines measures power"
    assert derivation.signals["PLANT.power_input"].note == "chillers + pumps; not metered: CT-1-FAN, CT-2-FAN, CT-3-FAN"


def test_a_chiller_without_a_power_meter_leaves_the_plant_without_efficiency(larkfield: Plant) -> None:
    derivation = Derivation(without(larkfield, "CH-3.power"))
    for name in ("PLANT.kw_per_ton", "PLANT.cop", "PLANT.heat_balance"):
        assert derivation.unbound[name] == "CH-3: power not measured, the ratio would leave it out"
    assert derivation.signals["PLANT.power_input"].note.endswith("not metered: CH-3")
    assert derivation.unbound["CH-3.kw_per_ton"] == "CH-3.power is not measured"


def test_a_meter_of_a_machine_speaks_for_it(larkfield: Plant) -> None:
    plant = without(larkfield, "CH-1.power")
    meter = Equipment("EM-1", "meter", "EM-1", "CH-1", "", {}, {})
    plant = replace(plant, equipment={**plant.equipment, "EM-1": meter})
    plant = with_point(plant, "EM-1.power", "CH-2.power", "power", "kW")
    found = readings(plant, {"EM-1.power": 250.0})
    assert Derivation(plant).signals["CH-1.kw_per_ton"].inputs == ("EM-1.power", "CH-1.cooling_load_tons")
    assert found["CH-1.kw_per_ton"].value == pytest.approx(250.0 / LOAD_TONS, abs=0.0002)
    assert found["PLANT.chillers_power"].value == 250.0


def test_without_chiller_flow_meters_the_load_comes_from_the_header(larkfield: Plant) -> None:
    plant = without(larkfield, "CH-1.chw_flow", "CH-2.chw_flow", "CH-3.chw_flow")
    derivation = Derivation(plant)
    signal = derivation.signals["PLANT.cooling_load"]
    assert signal.inputs == ("sec-out.temp", "chw-return.temp", "sec-out.flow")
    assert signal.note.startswith("header balance: sec-out.flow")
    found = readings(plant, {"sec-out.temp": 44.0, "sec-out.flow": 1_000.0})
    assert found["PLANT.cooling_load_tons"].value == pytest.approx(LOAD_TONS, abs=0.05)
    assert derivation.unbound["CH-1.cooling_load"] == "CH-1.chw_flow is not measured"
    assert derivation.unbound["CH-1.kw_per_ton"] == "CH-1.chw_flow is not measured"
    standing: dict[str, Change] = {f"{pump}.status": "OFF" for pump in ("PCHWP-1", "SCHWP-1")}
    quiet: dict[str, Change] = {"PCHWP-1.power": 0.0, "SCHWP-1.power": 0.0}
    assert readings(plant, {"sec-out.temp": 44.0, **standing, **quiet})["PLANT.cooling_load"].value is None


def test_heat_rejection_too_comes_from_the_header(larkfield: Plant) -> None:
    plant = without(larkfield, "CH-1.cw_flow", "CH-2.cw_flow", "CH-3.cw_flow")
    assert Derivation(plant).signals["PLANT.heat_rejection"].inputs == ("cwp-out.temp", "cwr.temp", "cwp-out.flow")
    found = readings(plant, {"cwp-out.flow": 1_250.0})
    assert found["PLANT.heat_rejection"].value == pytest.approx(number(readings(larkfield)["CH-1.heat_rejection"]))


def test_with_no_flow_at_all_the_load_is_unbound_with_the_reason(larkfield: Plant) -> None:
    plant = without(larkfield, "CH-1.chw_flow", "CH-2.chw_flow", "CH-3.chw_flow", "sec-out.flow")
    derivation = Derivation(plant)
    assert derivation.unbound["PLANT.cooling_load"] == "CH-1.chw_flow is not measured"
    assert "PLANT.kw_per_ton" not in derivation.signals
    assert derivation.unbound["decoupler.flow"] == "the flows at neither chw-supply nor chw-return are all metered"


def test_a_chiller_without_status_is_judged_by_the_power_it_draws(larkfield: Plant) -> None:
    plant = without(larkfield, "CH-1.status")
    assert readings(plant)["CH-1.cond_approach"].quality is Quality.GOOD
    found = readings(plant, {"CH-1.power": 2.0})["CH-1.cond_approach"]
    assert found.reason == "CH-1 draws no power"


def test_flow_proof_stands_in_for_a_dead_flow_meter(larkfield: Plant) -> None:
    moving = readings(larkfield, {"CH-1.chw_flow": SILENT, "CH-1.chw_flow_proof": "FLOW"})["CH-1.chw_delta_t"]
    assert moving.value == pytest.approx(10 / 1.8)
    standing = readings(larkfield, {"CH-1.chw_flow": SILENT, "CH-1.chw_flow_proof": "NO FLOW"})["CH-1.chw_delta_t"]
    assert standing.reason == "no CHW flow through CH-1"


def test_a_status_word_that_says_neither_on_nor_off_is_unknown(larkfield: Plant) -> None:
    states = {**larkfield.points["CH-1.status"].states, 7: "PURGE"}
    plant = replace(
        larkfield, points={**larkfield.points, "CH-1.status": replace(larkfield.points["CH-1.status"], states=states)}
    )
    found = readings(plant, {"CH-1.status": good(7.0, NOW_MS)})["CH-1.cooling_load"]
    assert (found.value, found.reason) == (None, "CH-1.status says PURGE: neither on nor off")


def test_a_tripped_machine_is_off(larkfield: Plant) -> None:
    states = {**larkfield.points["CH-2.status"].states, 2: "TRIPPED"}
    plant = replace(
        larkfield, points={**larkfield.points, "CH-2.status": replace(larkfield.points["CH-2.status"], states=states)}
    )
    assert readings(plant, {"CH-2.status": good(2.0, NOW_MS)})["CH-2.cooling_load"].value == 0.0


def test_subcooling_and_superheat_bind_where_the_lines_are_measured(larkfield: Plant) -> None:
    plant = with_point(larkfield, "CH-1.liquid_temp", "CH-1.chws_temp", "temperature", "degF")
    plant = with_point(plant, "CH-1.suction_temp", "CH-1.chws_temp", "temperature", "degF")
    found = readings(plant, {"CH-1.liquid_temp": 90.0, "CH-1.suction_temp": 47.0})
    assert found["CH-1.subcooling"].value == pytest.approx((97.019 - 90.0) / 1.8, abs=0.01)
    assert found["CH-1.superheat"].value == pytest.approx((47.0 - 41.995) / 1.8, abs=0.01)


def test_a_cell_uses_its_own_entering_temperature_where_it_has_one(larkfield: Plant) -> None:
    plant = with_point(larkfield, "CT-1.entering_temp", "CT-1.leaving_temp", "temperature", "degF")
    assert readings(plant, {"CT-1.entering_temp": 93.0})["CT-1.range"].value == pytest.approx(10 / 1.8)


def test_a_loop_in_which_nothing_tells_whether_water_moves_has_no_header_values(larkfield: Plant) -> None:
    blind = [name for name in larkfield.points if name.startswith("CWP-") and name.endswith(".status")]
    derivation = Derivation(without(larkfield, *blind, "cwp-out.flow"))
    assert derivation.unbound["PLANT.tower_approach"] == "nothing tells whether water moves in loop cw"
    assert derivation.unbound["CT-1.range"] == "nothing tells whether water moves in loop cw"
    assert "PLANT.tower_approach" in Derivation(without(larkfield, *blind)).signals


def with_economiser(plant: Plant) -> Plant:
    """Return larkfield with a heat exchanger ahead of its primary pumps."""
    loop = plant.loops["chw"]
    stage = Stage("economiser", "heat_exchanger", "chw-return", "hx-out", ((Port("HX-1", "warm"),),))
    pumps = replace(loop.stages[0], start="hx-out")
    loop = replace(loop, headers=("chw-return", "hx-out", *loop.headers[1:]), stages=(stage, pumps, *loop.stages[1:]))
    exchanger = Equipment("HX-1", "heat_exchanger", "HX-1", "", "", {}, {})
    return replace(plant, loops={**plant.loops, "chw": loop}, equipment={**plant.equipment, "HX-1": exchanger})


def test_with_an_economiser_the_load_is_taken_at_the_buildings_and_not_summed_over_chillers(larkfield: Plant) -> None:
    plant = with_economiser(larkfield)
    derivation = Derivation(plant)
    assert derivation.signals["PLANT.cooling_load"].inputs == ("sec-out.temp", "chw-return.temp", "sec-out.flow")
    assert derivation.unbound["PLANT.heat_balance"] == "an economiser cools too"
    free_cooling: dict[str, Change] = {"CH-1.status": "OFF", "CH-1.power": 0.0, "sec-out.temp": 46.0}
    assert number(readings(plant, free_cooling)["PLANT.kw_per_ton"]) < 0.4


def test_a_chiller_that_also_heats_has_no_heat_balance(larkfield: Plant) -> None:
    loop = larkfield.loops["chw"]
    recovery = Stage("recovery", "chiller", "hw-return", "hw-supply", ((Port("CH-1", "recovery"),),))
    hot = replace(
        loop,
        id="hw",
        water="hot",
        start="hw-return",
        headers=("hw-return", "hw-supply"),
        stages=(recovery,),
        bypasses=(),
    )
    derivation = Derivation(replace(larkfield, loops={**larkfield.loops, "hw": hot}))
    assert derivation.unbound["CH-1.heat_balance"] == "CH-1 also rejects heat into its recovery circuit"
    assert "CH-2.heat_balance" in derivation.signals


def test_glycol_carries_less_heat_than_water(larkfield: Plant) -> None:
    loop = replace(larkfield.loops["chw"], fluid="MEG 30 %")
    plant = replace(larkfield, loops={**larkfield.loops, "chw": loop})
    found = readings(plant)["CH-1.cooling_load_tons"]
    assert found.value == pytest.approx(1_000 * 10 * 459.3 / 12_000, rel=3e-3)  # Btu/h per gpm·°F of MEG 30 % at 49 °F
    assert "MEG 30 %" in Derivation(plant).signals["CH-1.cooling_load"].note


def test_an_air_cooled_plant_has_no_condenser_water_and_no_tower_values(larkfield: Plant) -> None:
    condenser = [name for name in larkfield.points if name.split(".")[1] in {"cws_temp", "cwr_temp", "cw_flow"}]
    plant = without(replace(larkfield, loops={"chw": larkfield.loops["chw"]}), *condenser)
    derivation = Derivation(plant)
    assert {name for name in derivation.signals if "tower_" in name or name.startswith("CT-")} == set()
    assert derivation.unbound["PLANT.heat_rejection"] == "CH-1.cw_flow is not measured"
    assert readings(plant)["PLANT.kw_per_ton"].quality is Quality.GOOD


def test_a_plant_with_no_loops_yet_still_sums_its_power(larkfield: Plant) -> None:
    plant = replace(larkfield, loops={})
    found = readings(plant)
    assert found["PLANT.power_input"].value == 250.0 + 65.0 + 12.0
    assert not {"PLANT.chw_delta_t", "PLANT.tower_range", "decoupler.flow"} & set(found)


def test_a_header_without_a_sensor_is_named(larkfield: Plant) -> None:
    unbound = Derivation(without(larkfield, "chw-return.temp", "cwp-out.temp")).unbound
    assert unbound["PLANT.chw_delta_t"] == "no return header of loop chw measures its temperature"
    assert unbound["PLANT.tower_approach"] == "no supply header of loop cw measures its temperature"


def test_a_status_without_words_is_on_for_any_number_but_zero(larkfield: Plant) -> None:
    bare = {name: replace(larkfield.points[name], states={}) for name in ("CH-1.status", "CH-2.status")}
    plant = replace(larkfield, points={**larkfield.points, **bare})
    found = readings(plant, {"CH-1.status": 1.0, "CH-2.status": 0.0})
    assert found["CH-1.water_lift"].quality is Quality.GOOD
    assert found["CH-2.cooling_load"].value == 0.0


def test_a_chiller_that_only_shows_saturation_on_its_panel_has_its_approach(larkfield: Plant) -> None:
    plant = with_point(
        without(larkfield, "CH-1.cond_pressure"), "CH-1.cond_sat_temp", "CH-1.cwr_temp", "temperature", "degF"
    )
    assert readings(plant, {"CH-1.cond_sat_temp": 97.0})["CH-1.cond_approach"].value == pytest.approx(2.5 / 1.8)
    assert Derivation(plant).signals["CH-1.cond_saturation"].note == "as the chiller's panel reports it"


def test_numbers_too_large_to_add_give_no_infinite_answer(larkfield: Plant) -> None:
    found = readings(larkfield, {"CH-1.power": 1.5e308, "CH-2.power": 1.5e308})["PLANT.chillers_power"]
    assert (found.value, found.reason) == (None, "the inputs give no finite number")


CHW_METERS = ("CH-1.chw_flow", "CH-2.chw_flow", "CH-3.chw_flow", "sec-out.flow")


def test_a_meter_where_a_bypass_branches_off_says_nothing_about_either_side(larkfield: Plant) -> None:
    plant = with_point(without(larkfield, *CHW_METERS), "chw-supply.flow", "cwp-out.flow", "flow", "gpm")
    derivation = Derivation(plant)
    assert {"decoupler.flow", "PLANT.cooling_load"} <= set(derivation.unbound)


def test_a_bypass_can_be_worked_out_where_it_ends(larkfield: Plant) -> None:
    """Primary pumps take 1000 gpm out of the return header, coils bring 800: 200 come through the decoupler."""
    plant = without(larkfield, *CHW_METERS)
    pumps, coils = ("PCHWP-1", "PCHWP-2", "PCHWP-3"), ("AHU-N1", "AHU-N2", "AHU-S1", "AHU-S2")
    for machine in (*pumps, *coils):
        plant = with_point(plant, f"{machine}.flow", "cwp-out.flow", "flow", "gpm")
    flows: dict[str, Change] = {"PCHWP-1.flow": 1_000.0, "PCHWP-2.flow": 0.0, "PCHWP-3.flow": 0.0}
    found = readings(plant, {**flows, **{f"{coil}.flow": 200.0 for coil in coils}})["decoupler.flow"]
    assert found.value == pytest.approx(200 * 3.785411784 / 60)
    assert "worked out at chw-return" in Derivation(plant).signals["decoupler.flow"].note


def test_the_temperature_ahead_of_a_mixing_point_is_not_taken_for_the_one_behind_it(larkfield: Plant) -> None:
    loop = larkfield.loops["cw"]
    into_riser = Bypass("into-riser", "cwp-out", "riser", (), either_way=False)
    mixed = replace(larkfield, loops={**larkfield.loops, "cw": replace(loop, bypasses=(into_riser,))})
    assert Derivation(larkfield).signals["CT-1.range"].inputs[0] == "cwr.temp"
    assert Derivation(mixed).unbound["CT-1.range"] == "CT-1.entering_temp is not measured"


def test_a_fluid_without_data_leaves_the_load_unbound_and_says_what_would_do(larkfield: Plant) -> None:
    loop = replace(larkfield.loops["chw"], fluid="brine")
    derivation = Derivation(replace(larkfield, loops={**larkfield.loops, "chw": loop}))
    assert derivation.unbound["CH-1.cooling_load"].startswith("fluid 'brine' is unknown; write water, or MEG or MPG")
    assert derivation.unbound["PLANT.cooling_load"].startswith("fluid 'brine' is unknown")


def test_two_bypasses_at_one_header_cannot_be_told_apart(larkfield: Plant) -> None:
    loop = larkfield.loops["chw"]
    second = Bypass("second", "chw-supply", "chw-return", (), either_way=False)
    plant = replace(larkfield, loops={**larkfield.loops, "chw": replace(loop, bypasses=(*loop.bypasses, second))})
    assert {"decoupler.flow", "second.flow"} <= set(Derivation(plant).unbound)


def test_a_value_made_of_a_slow_point_is_given_its_time_to_be_renewed(larkfield: Plant) -> None:
    slow: Point = replace(larkfield.points["CH-1.chw_flow"], period_s=60.0)
    signals = Derivation(replace(larkfield, points={**larkfield.points, slow.name: slow})).signals
    assert signals["CH-1.cooling_load"].period_s == 60.0
    assert signals["PLANT.kw_per_ton"].period_s == 60.0
    assert signals["CH-2.cooling_load"].period_s == 15.0


def test_an_unknown_value_is_unknown_as_of_now(larkfield: Plant) -> None:
    found = Derivation(larkfield).run(frame_of(larkfield, {**LARKFIELD, "CH-1.chws_temp": SILENT})).readings
    assert found["CH-1.cooling_load"].at_ms == NOW_MS > SILENT.at_ms
