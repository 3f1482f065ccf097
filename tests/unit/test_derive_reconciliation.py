"""Reconciliation of a quarter of an hour: what it says, when it says nothing, and whom it may not accuse."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from plantview.derive import Derivation
from plantview.derive.balances import balances
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading
from tests.frames import Change, frame_of
from tests.unit.derive_frames import LARKFIELD, SILENT, in_hand, number

QUARTER_MS = 900_000
START_MS = 1_764_000_000_000 // QUARTER_MS * QUARTER_MS
# a condenser side that takes 418.124 tons and 250 kW away: 1250 gpm from 85 °F
CLOSED: dict[str, Change] = {
    **LARKFIELD, "CH-1.cwr_temp": 94.46, "cwr.temp": 94.46, "cwp-out.flow": 1_250.0, "sec-out.flow": 800.0,
}  # fmt: skip


def after(
    plant: Plant,
    changes: Mapping[str, Change] | None = None,
    *,
    runs: int = 60,
    late: Mapping[str, Change] | None = None,
) -> Mapping[str, Reading]:
    """Return the derived readings at the first run after a whole quarter of an hour; ``late`` changes its second half."""
    derivation = Derivation(plant)
    step_ms = QUARTER_MS // runs
    for run in range(runs):
        now = {**CLOSED, **(changes or {}), **((late or {}) if 2 * run >= runs else {})}
        derivation.run(_at(plant, now, START_MS + run * step_ms))
    return derivation.run(_at(plant, {**CLOSED, **(changes or {})}, START_MS + QUARTER_MS)).readings


def _at(plant: Plant, values: Mapping[str, Change], at_ms: int) -> Frame:
    frame = frame_of(plant, values)
    readings = {name: replace(reading, at_ms=at_ms) for name, reading in frame.readings.items()}
    return replace(frame, at_ms=at_ms, readings=readings)


def test_every_header_and_barrel_with_sensors_gives_a_balance(larkfield: Plant, orchard: Plant) -> None:
    assert {each.name for each in balances(larkfield)} == {
        "cwp-out.flow_imbalance", "chw-supply.temp_imbalance", "cwr.temp_imbalance",
        *(f"CH-{n}.{what}_imbalance" for n in (1, 2, 3) for what in ("chwr", "cws", "heat")),
    }  # fmt: skip
    assert {each.name for each in balances(orchard)} == {
        "chw-supply.temp_imbalance", "cwr.temp_imbalance", *(f"CH-1.{what}_imbalance" for what in ("chwr", "cws", "heat")),
    }  # fmt: skip


def test_a_plant_whose_sensors_agree_closes(larkfield: Plant) -> None:
    found = after(larkfield)
    assert found["PLANT.balance_state"] == Reading(0.0, Quality.GOOD, "", START_MS + QUARTER_MS)
    assert number(found["PLANT.balance_chi2"]) < 1.0
    assert number(found["PLANT.balance_limit"]) == pytest.approx(12.59, abs=0.01), (
        "six balances hold with one chiller on"
    )
    assert number(found["CH-1.heat_imbalance"]) == pytest.approx(0.0, abs=12.0)
    assert abs(number(found["CH-1.chw_flow_adjustment"])) < 0.3


def test_a_machine_that_is_off_has_no_heat_balance_and_says_why(larkfield: Plant) -> None:
    found = after(larkfield)
    assert found["CH-2.heat_imbalance"].reason == "CH-2 is off"
    assert found["CH-2.chwr_temp_adjustment"].value is None
    assert "CH-2" in found["CH-2.chwr_temp_adjustment"].reason


def test_a_sensor_that_two_balances_see_is_named(larkfield: Plant) -> None:
    """The header's temperature fits neither, the chiller's fits its heat balance too."""
    found = after(larkfield, {"CH-1.chws_temp": 45.5})
    state = found["PLANT.balance_state"]
    assert state.value == 1.0
    assert state.quality is Quality.UNCERTAIN
    assert "misfit" in state.reason
    assert "most suspect: CH-1.chws_temp" in state.reason
    assert number(found["CH-1.chws_temp_adjustment"]) < -0.3


def test_one_equation_does_not_name_the_culprit(larkfield: Plant, orchard: Plant) -> None:
    """A power meter that reads 30 % less: the heat balance sees it, and the chilled water meter looks alike."""
    found = after(larkfield, {"CH-1.power": 120.0})
    reason = found["PLANT.balance_state"].reason
    assert "one equation cannot name the culprit" in reason
    assert "CH-1.power" in reason
    assert "CH-1.chw_flow" in reason
    note = Derivation(orchard).signals["CH-1.power_adjustment"].note
    assert "seen by one balance only, which cannot tell it from CH-1.chw_flow" in note
    assert "seen by 2 balances" in Derivation(larkfield).signals["CH-1.chwr_temp_adjustment"].note


def test_before_the_first_whole_quarter_nothing_is_said(larkfield: Plant) -> None:
    derivation = Derivation(larkfield)
    found = derivation.run(_at(larkfield, CLOSED, START_MS + 5_000)).readings["PLANT.balance_state"]
    assert found.value is None
    assert "not over yet" in found.reason


def test_a_quarter_in_which_a_machine_stopped_says_nothing(larkfield: Plant) -> None:
    found = after(larkfield, late={"CH-1.status": "OFF", "CH-1.power": 0.0, "CH-1.chw_flow": 0.0})[
        "PLANT.balance_state"
    ]
    assert found.value is None
    assert "not steady" in found.reason


def test_too_few_readings_say_nothing(larkfield: Plant) -> None:
    found = after(larkfield, runs=4)["PLANT.balance_state"]
    assert (found.value, found.reason) == (None, "only 4 readings in the quarter of an hour")


def test_a_sensor_that_was_lost_takes_its_balances_with_it_and_leaves_the_others(larkfield: Plant) -> None:
    found = after(larkfield, late={"CH-1.chw_flow": SILENT})
    assert found["CH-1.heat_imbalance"].value is None
    assert "CH-1.chw_flow" in found["CH-1.heat_imbalance"].reason
    assert found["CH-1.cws_imbalance"].value is not None


def test_a_doubtful_sensor_makes_what_it_is_in_doubtful(larkfield: Plant) -> None:
    found = after(larkfield, {"CH-1.chw_flow": in_hand(1_000.0)})
    assert found["CH-1.heat_imbalance"].quality is Quality.UNCERTAIN
    assert "in hand" in found["CH-1.heat_imbalance"].reason
    assert (found["PLANT.balance_state"].value, found["PLANT.balance_state"].quality) == (0.0, Quality.UNCERTAIN)
    assert found["CH-1.cws_imbalance"].quality is Quality.GOOD


def test_the_result_stands_until_the_next_quarter_is_over(larkfield: Plant) -> None:
    derivation = Derivation(larkfield)
    for run in range(61):
        derivation.run(_at(larkfield, CLOSED, START_MS + run * 15_000))
    found = derivation.run(_at(larkfield, CLOSED, START_MS + 1_700_000)).readings["PLANT.balance_state"]
    assert (found.value, found.at_ms) == (0.0, START_MS + QUARTER_MS)


def test_return_water_that_comes_back_through_the_decoupler_takes_the_header_out(larkfield: Plant) -> None:
    found = after(larkfield, {"sec-out.flow": 1_200.0})
    assert found["chw-supply.temp_imbalance"].value is None
    assert found["PLANT.balance_state"].value == 0.0


def test_a_clock_that_was_set_back_begins_a_new_quarter(larkfield: Plant) -> None:
    derivation = Derivation(larkfield)
    derivation.run(_at(larkfield, CLOSED, START_MS + QUARTER_MS))
    found = derivation.run(_at(larkfield, CLOSED, START_MS)).readings["PLANT.balance_state"]
    assert "not over yet" in found.reason


def test_readings_that_come_late_now_and_then_do_not_look_like_a_machine_that_moved(larkfield: Plant) -> None:
    """CH-3 is off; in every tenth run its flow cannot be judged at all."""
    derivation = Derivation(larkfield)
    for run in range(60):
        now = {
            **CLOSED,
            **({"CH-3.chw_flow": SILENT, "CH-3.status": SILENT, "CH-1.power": SILENT} if run % 10 == 0 else {}),
        }
        derivation.run(_at(larkfield, now, START_MS + run * 15_000))
    found = derivation.run(_at(larkfield, CLOSED, START_MS + QUARTER_MS)).readings
    assert found["PLANT.balance_state"].value == 0.0
    assert found["CH-1.heat_imbalance"].value is not None
