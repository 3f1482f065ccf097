"""A day's power, added up, against the energy registers of the meters: two ways that must tell the same."""

from __future__ import annotations

import pytest

from tests.bench.engineering import demo_plant


@pytest.mark.long
@pytest.mark.timeout(1_800)
def test_a_day_of_power_agrees_with_its_register_through_roll_over_and_a_new_meter() -> None:
    """Oracle: the simulated meters' own counting (1 kWh steps), rolled over at 10,000 and begun again at 17."""
    figures = [each for each in demo_plant(24.0) if each.name.startswith("integrated power")]
    assert len(figures) >= 2
    assert [str(each) for each in figures if not each.met] == []
