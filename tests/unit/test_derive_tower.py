"""Tower cells: their own water, and only while it runs over them."""

from __future__ import annotations

import pytest

from plantview.model.plant import Plant
from plantview.model.quality import Quality
from tests.frames import Change
from tests.unit.derive_frames import LARKFIELD, ORCHARD, SILENT, derived

WET_BULB_F = 75.076


def test_wet_bulb_from_dry_bulb_humidity_and_station_pressure(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)["PLANT.wet_bulb"]
    assert found.value == pytest.approx((WET_BULB_F - 32) / 1.8, abs=0.02)


def test_range_approach_and_effectiveness_of_a_cell(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)
    assert found["CT-1.range"].value == pytest.approx((94.5 - 83.0) / 1.8)
    assert found["CT-1.approach"].value == pytest.approx((83.0 - WET_BULB_F) / 1.8, abs=0.02)
    assert found["CT-1.effectiveness"].value == pytest.approx(100 * 11.5 / (94.5 - WET_BULB_F), abs=0.1)
    assert found["CT-1.fan_power"].value == 12.0


def test_a_cell_with_its_fan_off_and_its_valve_open_still_cools_a_little(larkfield: Plant) -> None:
    assert derived(larkfield, LARKFIELD)["CT-3.range"].value == pytest.approx(7.5 / 1.8)


@pytest.mark.parametrize("name", ["range", "approach", "effectiveness"])
def test_a_cell_that_is_valved_off_has_none_of_it(larkfield: Plant, name: str) -> None:
    found = derived(larkfield, LARKFIELD)[f"CT-2.{name}"]
    assert (found.value, found.reason) == (None, "no water over CT-2: its isolation valve is shut")


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"CWP-1.status": "OFF", "CWP-1.power": 0.0}, "no pump of loop cw runs"),
        ({"CWP-1.status": SILENT}, "needs CWP-1.status: no answer in 2 s"),
        ({"V-TWR.position": 0.0}, "no water over the towers: V-TWR is shut"),
        ({"CWP-1.status": "OFF"}, "CWP-1.status says off, but CWP-1 draws 30 kW"),
    ],
)
def test_standing_water_is_not_judged(larkfield: Plant, changes: dict[str, Change], reason: str) -> None:
    found = derived(larkfield, LARKFIELD, changes)
    for name in ("CT-1.approach", "PLANT.tower_approach", "PLANT.tower_range"):
        assert (found[name].value, found[name].reason) == (None, reason)


def test_a_cell_that_cools_nothing_has_no_effectiveness(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"CT-1.leaving_temp": 94.2})["CT-1.effectiveness"]
    assert found.reason == "range of CT-1 is below 0.5 K"


def test_an_open_tower_bypass_makes_the_common_water_doubtful_and_says_why(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"V-TB.position": 30.0, "V-TWR.position": 70.0})["PLANT.tower_approach"]
    assert found.quality is Quality.UNCERTAIN
    assert found.reason == "V-TB is open 30 %: CWS is mixed with water that passed the towers by"
    assert found.value == pytest.approx((85.0 - WET_BULB_F) / 1.8, abs=0.02)


def test_two_fans_of_one_cell_add_up(orchard: Plant) -> None:
    assert derived(orchard, ORCHARD)["CT-1.fan_power"].value == 11.0


def test_wet_bulb_is_unknown_without_humidity_and_so_are_all_approaches(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD, {"WEATHER.relative_humidity": SILENT})
    for name in ("PLANT.wet_bulb", "CT-1.approach", "CT-1.effectiveness", "PLANT.tower_approach"):
        assert found[name].reason == "needs WEATHER.relative_humidity: no answer in 2 s"
    assert found["CT-1.range"].quality is Quality.GOOD
