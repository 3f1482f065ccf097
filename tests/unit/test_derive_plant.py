"""The plant as a whole: every total closes with the inputs that it names."""

from __future__ import annotations

import pytest

from plantview.derive import Derivation
from plantview.derive.reconciliation import Reconciliation
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Reading
from tests.frames import NOW_MS, Change, frame_of
from tests.unit.derive_frames import (
    CHILLER_KW,
    FANS_KW,
    LARKFIELD,
    LOAD_TONS,
    ORCHARD,
    PUMPS_KW,
    SILENT,
    derived,
    number,
)


def test_plant_power_is_the_sum_of_all_that_is_metered(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)
    assert found["PLANT.chillers_power"].value == CHILLER_KW
    assert found["PLANT.pumps_power"].value == PUMPS_KW
    assert found["PLANT.towers_power"].value == FANS_KW
    assert found["PLANT.power_input"].value == CHILLER_KW + PUMPS_KW + FANS_KW


def test_plant_efficiency_on_paper(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)
    assert found["PLANT.kw_per_ton"].value == pytest.approx((CHILLER_KW + PUMPS_KW + FANS_KW) / LOAD_TONS, abs=0.0003)
    assert found["PLANT.cop"].value == pytest.approx(3.516853 / number(found["PLANT.kw_per_ton"]))


@pytest.mark.parametrize("name", ["larkfield", "orchard"])
def test_plant_efficiency_is_the_quotient_of_exactly_the_two_inputs_that_it_names(
    request: pytest.FixtureRequest, name: str
) -> None:
    plant: Plant = request.getfixturevalue(name)
    signal = Derivation(plant).signals["PLANT.kw_per_ton"]
    assert signal.inputs == ("PLANT.power_input", "PLANT.cooling_load_tons")
    found = derived(plant, {"larkfield": LARKFIELD, "orchard": ORCHARD}[name])
    power, load = (number(found[each]) for each in signal.inputs)
    assert found["PLANT.kw_per_ton"].value == pytest.approx(power / load, rel=1e-9)
    assert 0.4 < number(found["PLANT.kw_per_ton"]) < 1.2


def test_sums_close(larkfield: Plant) -> None:
    found, signals = derived(larkfield, LARKFIELD), Derivation(larkfield).signals
    for name in ("PLANT.cooling_load", "PLANT.heat_rejection", "PLANT.power_input"):
        assert found[name].value == pytest.approx(sum(number(found[each]) for each in signals[name].inputs))


def test_the_load_by_the_rule_of_the_trade_stands_beside_the_exact_one(larkfield: Plant) -> None:
    """1,000 gpm × 10 °F / 24, in tons; the exact load of the same readings is 0.35 % more."""
    found, signal = derived(larkfield, LARKFIELD), Derivation(larkfield).signals["PLANT.cooling_load_rule"]
    assert found[signal.name].value == pytest.approx(10_000 / 24, rel=1e-9)
    assert number(found["PLANT.cooling_load_tons"]) / number(found[signal.name]) == pytest.approx(1.0035, abs=1e-4)
    assert "common practice, no source" in signal.note


def test_header_differences_and_tower_values(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)
    assert found["PLANT.chw_delta_t"].value == pytest.approx(10 / 1.8)
    assert found["PLANT.cw_delta_t"].value == pytest.approx(9.5 / 1.8)
    assert found["PLANT.tower_range"].value == pytest.approx(9.5 / 1.8)
    assert found["PLANT.tower_approach"].value == pytest.approx((85 - 75.076) / 1.8, abs=0.02)
    assert found["PLANT.tower_effectiveness"].value == pytest.approx(100 * 9.5 / (94.5 - 75.076), abs=0.1)
    assert found["PLANT.heat_balance"].value == pytest.approx(number(found["CH-1.heat_balance"]))


def test_decoupler_flow_is_what_the_chillers_make_more_than_the_buildings_take(larkfield: Plant) -> None:
    surplus = derived(larkfield, LARKFIELD)["decoupler.flow"]
    assert surplus.value == pytest.approx(200 * 3.785411784 / 60)
    deficit = derived(larkfield, LARKFIELD, {"sec-out.flow": 1_300.0})["decoupler.flow"]
    assert deficit.value == pytest.approx(-300 * 3.785411784 / 60)
    assert (
        "CH-1.chw_flow + CH-2.chw_flow + CH-3.chw_flow less sec-out.flow"
        in Derivation(larkfield).signals["decoupler.flow"].note
    )


@pytest.mark.parametrize("word", ["RUN", "unknown"])
def test_a_machine_that_runs_or_may_run_unread_makes_plant_power_unknown(larkfield: Plant, word: str) -> None:
    status: Change = SILENT if word == "unknown" else word
    found = derived(larkfield, LARKFIELD, {"CWP-2.status": status, "CWP-2.power": SILENT})
    for name in ("PLANT.pumps_power", "PLANT.power_input", "PLANT.kw_per_ton", "PLANT.cop"):
        assert (found[name].value, found[name].reason) == (None, "needs CWP-2.power: no answer in 2 s")
    assert found["PLANT.chillers_power"].quality is Quality.GOOD


def test_an_unread_machine_that_is_proven_off_counts_as_nothing_and_the_total_says_so(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CWP-2.power": SILENT})["PLANT.power_input"]
    assert found.value == CHILLER_KW + PUMPS_KW + FANS_KW
    assert found.quality is Quality.UNCERTAIN
    assert found.reason == "CWP-2.power cannot be read, counted as 0 because CWP-2 is off"


def test_a_running_chiller_of_unknown_load_makes_plant_load_unknown(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-2.status": "RUN", "CH-2.chw_flow": SILENT, "CH-2.power": 200.0})
    for name in ("PLANT.cooling_load", "PLANT.cooling_load_tons", "PLANT.kw_per_ton"):
        assert found[name].reason == "needs CH-2.chw_flow: no answer in 2 s"


def test_with_all_chillers_off_the_load_is_zero_and_efficiency_is_unknown(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-1.status": "OFF", "CH-1.power": 0.0})
    assert found["PLANT.cooling_load"] == Reading(0.0, Quality.GOOD, "", NOW_MS)
    for name in ("PLANT.kw_per_ton", "PLANT.cop", "PLANT.heat_balance"):
        assert (found[name].value, found[name].reason) == (None, "no chiller runs")
    assert found["PLANT.power_input"].value == PUMPS_KW + FANS_KW


def test_a_trickle_of_load_has_no_efficiency(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CH-1.chwr_temp": 44.5})
    assert found["PLANT.kw_per_ton"].reason == "plant cooling load is below 116 kW"


def test_water_that_stands_has_no_difference(larkfield: Plant) -> None:
    off: dict[str, Change] = {f"{pump}.status": "OFF" for pump in ("PCHWP-1", "SCHWP-1")}
    found = derived(larkfield, LARKFIELD, {**off, "PCHWP-1.power": 0.0, "SCHWP-1.power": 0.0})
    assert found["PLANT.chw_delta_t"].reason == "no pump of loop chw runs"


def test_the_note_says_what_plant_power_includes(larkfield: Plant) -> None:
    signals = Derivation(larkfield).signals
    assert signals["PLANT.power_input"].note == "chillers + pumps + tower fans"
    assert signals["PLANT.kw_per_ton"].note == "chillers + pumps + tower fans"


def test_a_frame_in_which_nothing_was_read_gives_reasons_and_no_numbers(larkfield: Plant) -> None:
    found = Derivation(larkfield).run(frame_of(larkfield, {}))
    assert found.at_ms == NOW_MS
    for name, reading in found.readings.items():
        assert reading.quality is Quality.BAD, name
        if name in Reconciliation.of(larkfield).signals:
            assert reading.reason == "the first quarter of an hour is not over yet", name
            continue
        assert reading.reason.startswith("needs "), name
        assert reading.reason.endswith(": not read yet"), name


def test_a_value_of_an_earlier_run_in_the_frame_is_not_used(larkfield: Plant) -> None:
    derivation, frame = Derivation(larkfield), frame_of(larkfield, LARKFIELD)
    readings = {**frame.readings, "CH-1.cooling_load_tons": Reading(9_999.0, Quality.GOOD, "", NOW_MS)}
    again = derivation.run(type(frame)(2, NOW_MS, readings))
    assert again == derivation.run(frame)


def test_every_value_has_its_unit_label_and_inputs_that_exist(larkfield: Plant, orchard: Plant) -> None:
    for plant in (larkfield, orchard):
        signals = Derivation(plant).signals
        for name, signal in signals.items():
            assert signal.name == name == f"{signal.equipment}.{signal.measurement}"
            assert signal.label
            assert signal.derived
            assert signal.inputs
            assert all(each in signals or each in plant.points for each in signal.inputs)
        assert signals["PLANT.cooling_load_tons"].unit.name == "ton"
        assert signals["PLANT.kw_per_ton"].unit.name == "kW/ton"


def test_a_value_made_of_slow_points_is_given_their_time_to_be_renewed(larkfield: Plant) -> None:
    assert Derivation(larkfield).signals["CH-1.cooling_load"].period_s == 15.0
