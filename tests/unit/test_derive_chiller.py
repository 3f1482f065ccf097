"""One chiller's derived values on numbers that a technician can redo on paper."""

from __future__ import annotations

from dataclasses import replace

import pytest

from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Reading
from tests.frames import NOW_MS, Change
from tests.unit.derive_frames import CHILLER_KW, LARKFIELD, LOAD_TONS, ORCHARD, SILENT, derived, in_hand, number

PER_RUNNING_MACHINE = (
    "kw_per_ton",
    "cop",
    "evap_approach",
    "cond_approach",
    "lift",
    "water_lift",
    "heat_balance",
    "chw_delta_t",
    "cw_delta_t",
)


def test_load_efficiency_and_cop(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)
    assert found["CH-1.cooling_load_tons"].value == pytest.approx(LOAD_TONS, abs=0.05)
    assert found["CH-1.cooling_load"].value == pytest.approx(LOAD_TONS * 3.516853, abs=0.2)
    assert found["CH-1.load_pct"].value == pytest.approx(100 * LOAD_TONS * 3.516853 / 2_317, abs=0.01)
    assert found["CH-1.kw_per_ton"].value == pytest.approx(CHILLER_KW / LOAD_TONS, abs=0.0002)
    assert found["CH-1.cop"].value == pytest.approx(3.516853 * LOAD_TONS / CHILLER_KW, abs=0.002)
    assert found["CH-1.kw_per_ton"] == replace(found["CH-1.kw_per_ton"], quality=Quality.GOOD, reason="", at_ms=NOW_MS)


def test_temperature_differences_come_in_kelvin_without_the_32(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)
    assert found["CH-1.chw_delta_t"].value == pytest.approx(10 / 1.8)
    assert found["CH-1.cw_delta_t"].value == pytest.approx(9.5 / 1.8)


def test_saturation_and_approaches_from_gauge_pressure_and_station_pressure(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)
    assert number(found["CH-1.evap_saturation"]) * 1.8 + 32 == pytest.approx(41.995, abs=0.02)
    assert number(found["CH-1.cond_saturation"]) * 1.8 + 32 == pytest.approx(97.019, abs=0.02)
    assert found["CH-1.evap_approach"].value == pytest.approx((44.0 - 41.995) / 1.8, abs=0.01)
    assert found["CH-1.cond_approach"].value == pytest.approx((97.019 - 94.5) / 1.8, abs=0.01)
    assert found["CH-1.lift"].value == pytest.approx((97.019 - 41.995) / 1.8, abs=0.02)
    assert found["CH-1.water_lift"].value == pytest.approx((94.5 - 44.0) / 1.8)


def test_a_lower_barometer_lowers_the_saturation_of_the_same_gauge_reading(larkfield: Plant) -> None:
    sea, mile = (
        number(derived(larkfield, LARKFIELD, {"WEATHER.station_pressure": inches})["CH-1.evap_saturation"])
        for inches in (29.921, 24.64)
    )
    assert (sea - mile) * 1.8 == pytest.approx(2.6 * 1.01, abs=0.2)  # 1.01 °F per psi, 2.6 psi less


def test_heat_balance_of_round_numbers(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)
    cooling, rejection = number(found["CH-1.cooling_load"]), number(found["CH-1.heat_rejection"])
    assert rejection == pytest.approx(1_250 * 9.5 / 24 * 3.516853 * (1 - 0.0046), rel=5e-4)
    assert found["CH-1.heat_balance"].value == pytest.approx(100 * (cooling + CHILLER_KW - rejection) / rejection)


def test_the_small_plant_in_si(orchard: Plant) -> None:
    found = derived(orchard, ORCHARD)
    assert found["CH-1.cooling_load"].value == pytest.approx(45.0 * 4.198 * 5, rel=1e-3)
    assert found["CH-1.heat_rejection"].value == pytest.approx(55.0 * 4.161 * 5, rel=1e-3)
    assert found["CH-1.kw_per_ton"].value == pytest.approx(160 / (45.0 * 4.198 * 5 / 3.516853), rel=1e-3)


@pytest.mark.parametrize("name", PER_RUNNING_MACHINE)
def test_a_machine_that_does_not_run_has_none_of_it(larkfield: Plant, name: str) -> None:
    found = derived(larkfield, LARKFIELD)[f"CH-2.{name}"]
    assert found.value is None
    assert found.reason in {"CH-2 is off", "no CHW flow through CH-2", "no CW flow through CH-2"}


@pytest.mark.parametrize("name", ["cooling_load", "cooling_load_tons", "load_pct", "heat_rejection"])
def test_a_stopped_machine_cools_nothing_and_that_is_known(larkfield: Plant, name: str) -> None:
    changes = {f"CH-2.{point}": SILENT for point in ("chw_flow", "chws_temp", "cw_flow", "cwr_temp")}
    found = derived(larkfield, LARKFIELD, changes)[f"CH-2.{name}"]
    assert found == Reading(0.0, Quality.GOOD, "", NOW_MS)


@pytest.mark.parametrize("name", ["cooling_load", "heat_rejection", "kw_per_ton"])
def test_a_machine_of_unknown_status_cools_an_unknown_amount(larkfield: Plant, name: str) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-1.status": SILENT})[f"CH-1.{name}"]
    assert found.quality is Quality.BAD
    assert found.reason == "needs CH-1.status: no answer in 2 s"


def test_off_by_status_and_drawing_power_is_a_contradiction_and_no_zero(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-1.status": "OFF"})
    assert found["CH-1.cooling_load"].value is None
    assert found["CH-1.cooling_load"].reason == "CH-1.status says off, but CH-1 draws 250 kW"


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"CH-1.chwr_temp": 44.8}, "CHW ΔT of CH-1 is below 0.5 K"),
        ({"CH-1.chwr_temp": 43.0}, "CHW ΔT of CH-1 is below 0.5 K"),
        ({"CH-1.chw_flow": 140.0}, "no CHW flow through CH-1"),
    ],
)
def test_below_the_floor_efficiency_is_unknown_and_load_is_not(
    larkfield: Plant, changes: dict[str, Change], reason: str
) -> None:
    found = derived(larkfield, LARKFIELD, changes)
    assert (found["CH-1.kw_per_ton"].value, found["CH-1.kw_per_ton"].reason) == (None, reason)
    assert found["CH-1.cop"].value is None
    assert found["CH-1.cooling_load"].quality is Quality.GOOD


def test_just_above_the_floors_there_is_an_answer(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-1.chwr_temp": 45.0, "CH-1.chw_flow": 150.0})
    assert found["CH-1.kw_per_ton"].value is not None


@pytest.mark.parametrize(
    ("point", "losing"),
    [
        (
            "CH-1.chws_temp",
            {"cooling_load", "kw_per_ton", "evap_approach", "water_lift", "heat_balance", "chw_delta_t"},
        ),
        ("CH-1.power", {"kw_per_ton", "cop", "heat_balance"}),
        ("WEATHER.station_pressure", {"evap_saturation", "cond_approach", "lift"}),
    ],
)
def test_a_silent_point_is_named_by_everything_that_needs_it(larkfield: Plant, point: str, losing: set[str]) -> None:
    found = derived(larkfield, LARKFIELD, {point: SILENT})
    for name in losing:
        assert found[f"CH-1.{name}"].reason == f"needs {point}: no answer in 2 s"
        assert found[f"CH-1.{name}"].at_ms <= NOW_MS
    untouched = "heat_rejection" if point != "WEATHER.station_pressure" else "kw_per_ton"
    assert found[f"CH-1.{untouched}"].quality is Quality.GOOD


def test_a_doubtful_input_makes_a_doubtful_result_that_says_so(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-1.chw_flow": in_hand(1_000.0)})
    for name in ("CH-1.cooling_load", "CH-1.kw_per_ton", "PLANT.cooling_load", "PLANT.kw_per_ton"):
        assert found[name].quality is Quality.UNCERTAIN
        assert found[name].reason == "CH-1.chw_flow: in hand"
        assert found[name].value is not None


def test_a_doubtful_status_makes_what_rests_on_it_doubtful(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-2.status": in_hand(0.0)})
    assert found["CH-2.cooling_load"] == Reading(0.0, Quality.UNCERTAIN, "CH-2.status: in hand", NOW_MS)
    assert found["PLANT.cooling_load"].reason == "CH-2.status: in hand"


def test_a_doubtful_run_status_makes_doubtful_what_only_a_running_machine_has(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-1.status": in_hand(1.0)})
    for name in ("cond_approach", "water_lift", "kw_per_ton"):
        assert (found[f"CH-1.{name}"].quality, found[f"CH-1.{name}"].reason) == (
            Quality.UNCERTAIN,
            "CH-1.status: in hand",
        )
    assert found["CH-1.cond_saturation"].quality is Quality.GOOD


def test_a_stale_input_is_not_used(larkfield: Plant) -> None:
    stale = Reading(44.0, Quality.STALE, "not renewed; value is 20 s old", NOW_MS - 20_000)
    found = derived(larkfield, LARKFIELD, {"CH-1.chws_temp": stale})["CH-1.cooling_load"]
    assert (found.value, found.quality) == (None, Quality.BAD)
    assert found.reason == "needs CH-1.chws_temp: not renewed; value is 20 s old"


def test_a_result_is_as_old_as_its_oldest_input(larkfield: Plant) -> None:
    older = Reading(54.0, Quality.GOOD, "", NOW_MS - 7_000)
    found = derived(larkfield, LARKFIELD, {"CH-1.chwr_temp": older})
    assert found["CH-1.cooling_load"].at_ms == NOW_MS - 7_000
    assert found["CH-1.kw_per_ton"].at_ms == NOW_MS - 7_000
    assert found["CH-1.heat_rejection"].at_ms == NOW_MS


def test_what_an_estimated_refrigerant_gives_is_marked_as_doubtful(larkfield: Plant) -> None:
    """R-514A: no measurement was held against its curve; 5.57 psia is 42 °F by it."""
    machine = larkfield.equipment["CH-1"]
    changed = replace(machine, traits={**machine.traits, "refrigerant": "R-514A"})
    plant = replace(larkfield, equipment={**larkfield.equipment, "CH-1": changed})
    found = derived(plant, LARKFIELD, {"CH-1.evap_pressure": 5.57 - 29.921 * 0.4911542})
    saturation = found["CH-1.evap_saturation"]
    assert number(saturation) * 1.8 + 32 == pytest.approx(42.0, abs=0.1)
    assert saturation.quality is Quality.UNCERTAIN
    assert saturation.reason.startswith("R-514A is an estimate")
    assert found["CH-1.evap_approach"].quality is Quality.UNCERTAIN


def test_a_pressure_beyond_the_refrigerant_table_is_unknown_with_the_range(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-1.evap_pressure": -10.0})
    assert found["CH-1.evap_saturation"].value is None
    assert "is outside 132.7" in found["CH-1.evap_saturation"].reason
    assert found["CH-1.evap_approach"].reason.startswith("needs CH-1.evap_saturation: R-134a pressure")


def test_a_reading_that_is_no_number_is_never_calculated_with(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-1.chws_temp": float("nan"), "CH-2.status": float("nan")})
    assert found["CH-1.cooling_load"].quality is Quality.BAD
    assert "no number" in found["CH-1.cooling_load"].reason
    assert found["CH-2.cooling_load"].quality is Quality.BAD
