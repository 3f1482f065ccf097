"""The lift that a plant is asked to hold.

Implementation: plantview.calcs.approach. Oracle: ASHRAE Guideline 36 (2021), 5.20.12.2, as public
implementations document it, worked by hand for 20 and 50.3 °F.
"""

from __future__ import annotations

import pytest

from plantview.calcs.approach import lift_target_k
from plantview.errors import OutsideSourceRange

KNOWN = [(0.2, 23.636), (0.5, 33.635), (0.8, 43.634), (1.0, 50.3), (1.2, 50.3), (0.05, 20.0), (0.0, 20.0)]


@pytest.mark.parametrize(("part_load", "lift_f"), KNOWN)
def test_lift_target(part_load: float, lift_f: float) -> None:
    assert lift_target_k(part_load, 20 / 1.8, 50.3 / 1.8) * 1.8 == pytest.approx(lift_f, rel=0, abs=0.001)


@pytest.mark.parametrize(
    ("part_load", "least", "most"), [(-0.1, 11.0, 28.0), (1.6, 11.0, 28.0), (0.5, 28.0, 11.0), (0.5, -1.0, 11.0)]
)
def test_limits_in_the_wrong_order_and_impossible_loads_are_refused(
    part_load: float, least: float, most: float
) -> None:
    with pytest.raises(OutsideSourceRange):
        lift_target_k(part_load, least, most)
