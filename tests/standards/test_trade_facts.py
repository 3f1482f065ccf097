"""Facts of the trade: common practice, no source.

Implementation: the names on the screens, the plant description and the simulated plant.
Oracle: what everybody who works on these plants knows; nobody printed it where it could be cited.
"""

from __future__ import annotations

import pytest

from plantview.model.measurements import MEASUREMENTS
from plantview.model.plant import Plant
from plantview.model.services import service_of
from plantview.simulator.curves import VARIABLE_SPEED
from plantview.simulator.tower import Cooling
from tests.standards.test_simulator_chiller import solved

COMMON_PRACTICE = "common practice, no source"

# what a chiller calls its four pipes: measurement, direction, abbreviation
FOUR_PIPES = [
    ("chws_temp", "leaving chilled water", "CHWS"),
    ("chwr_temp", "entering chilled water", "CHWR"),
    ("cws_temp", "entering condenser water", "CWS"),
    ("cwr_temp", "leaving condenser water", "CWR"),
]


@pytest.mark.parametrize(("name", "direction", "abbreviation"), FOUR_PIPES)
def test_the_four_pipes_are_called_by_direction_with_the_abbreviation_beside_it(
    name: str, direction: str, abbreviation: str
) -> None:
    label = MEASUREMENTS["chiller"][name].label
    assert label == f"{direction} ({abbreviation})"


def test_water_leaves_the_tower_as_cws_and_the_chiller_as_cwr(larkfield: Plant) -> None:
    tower, chiller = MEASUREMENTS["tower_cell"], MEASUREMENTS["chiller"]
    assert "(CWS)" in tower["leaving_temp"].label
    assert "(CWS)" in chiller["cws_temp"].label
    assert "(CWR)" in tower["entering_temp"].label
    assert "(CWR)" in chiller["cwr_temp"].label
    services = {header: service_of(loop, header) for loop in larkfield.loops.values() for header in loop.headers}
    assert (services["chw-supply"], services["chw-return"]) == ("CHWS", "CHWR")
    assert (services["cwp-out"], services["cwr"]) == ("CWS", "CWR")


def test_two_bypass_valves_on_one_actuator_add_up_to_100_percent(larkfield: Plant, orchard: Plant) -> None:
    for plant in (larkfield, orchard):
        pairs = [each for each in plant.actuators.values() if len(each.valves) == 2]
        assert pairs
        assert {each.sum_pct for each in pairs} == {100.0}


def test_colder_condenser_water_lowers_kw_per_ton_within_the_range_of_the_machine() -> None:
    load_kw = 0.6 * VARIABLE_SPEED.capacity_kw
    powers = [solved(VARIABLE_SPEED, 6.67, cws_c, load_kw)[1] for cws_c in (29.0, 27.0, 25.0, 23.0, 21.5)]
    assert powers == sorted(powers, reverse=True)


def test_below_its_least_lift_or_entering_temperature_a_machine_is_protected_by_its_own_limit(larkfield: Plant) -> None:
    """Below it a machine runs worse, hunts or trips: the limit is the machine's and not one number for all."""
    for chiller in larkfield.of_kind("chiller"):
        assert chiller.design["min_lift"] > 0
        assert chiller.design["min_cws_temp"] > 10
    watched = [row for row in larkfield.alarms if row.get("point") == "{each}.cws_temp" and row["type"] == "LO"]
    assert watched
    assert all("maker" in row["action"] or "minimum" in row["consequence"] for row in watched)


def test_free_fall_over_the_fill_is_one_stage_of_cooling_and_the_fan_is_the_next() -> None:
    cell = Cooling(113.5, 35.05, 29.44, 25.6)
    entering, wet = 31.0, 18.0
    bypassed = entering
    falling, slow, fast = (cell.leaving_c(entering, wet, 113.5, air) for air in (0.0, 0.3, 1.0))
    assert bypassed > falling > slow > fast > wet
    assert bypassed - falling < (bypassed - fast) / 4, "without fan the fill is a small stage"
