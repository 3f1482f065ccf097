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


def test_free_fall_first_or_fans_first_is_a_matter_of_sequence_and_both_cool_further_with_every_stage() -> None:
    """Bypass, all water over the fill, then the fan; or half of the water over a cell whose fan runs, then all of it."""
    cell = Cooling(113.5, 35.05, 29.44, 25.6)
    entering, wet, water = 31.0, 18.0, 113.5

    def mixed(over: float, air: float) -> float:
        """Return what comes back while the rest of the water passes the tower by."""
        return over * cell.leaving_c(entering, wet, over * water, air) + (1.0 - over) * entering if over else entering

    free_fall_first = [mixed(0.0, 0.0), mixed(0.5, 0.0), mixed(1.0, 0.0), mixed(1.0, 0.5), mixed(1.0, 1.0)]
    fans_first = [mixed(0.0, 0.0), mixed(0.5, 0.5), mixed(0.5, 1.0), mixed(1.0, 1.0)]
    for sequence in (free_fall_first, fans_first):
        assert sequence == sorted(sequence, reverse=True)
        assert len(set(sequence)) == len(sequence)
    assert free_fall_first[-1] == fans_first[-1]
