"""The Gordon-Ng model.

Implementation: plantview.calcs.chiller_model. Oracle: parameters fitted to the normal run of
ASHRAE RP-1043 (90 tons) and powers evaluated with them by another program; the equation itself.
"""

from __future__ import annotations

import pytest

from plantview.calcs.chiller_model import gordon_ng_power_kw
from plantview.calcs.load import KW_PER_TON
from plantview.errors import OutsideSourceRange

PARAMETERS = (7.88867419e-2, 1.10843216e2, 7.95598306e-2)
# entering chilled °F, entering condenser °F, tons, kW
KNOWN = [(60.4, 85.2, 90.0, 78.705), (57.0, 85.0, 55.5, 53.933), (61.0, 75.5, 98.8, 76.760), (53.7, 85.0, 30.0, 41.385)]


@pytest.mark.parametrize(("chw_f", "cw_f", "tons", "power_kw"), KNOWN)
def test_power_of_the_laboratory_machine(chw_f: float, cw_f: float, tons: float, power_kw: float) -> None:
    found = gordon_ng_power_kw((chw_f - 32) / 1.8, (cw_f - 32) / 1.8, tons * KW_PER_TON, *PARAMETERS)
    assert found == pytest.approx(power_kw, rel=0, abs=0.005)


def test_the_power_solves_the_equation() -> None:
    b0, b1, b2 = PARAMETERS
    chw_c, cw_c, load = 14.0, 27.0, 250.0
    cold, hot = chw_c + 273.15, cw_c + 273.15
    inverse_cop = gordon_ng_power_kw(chw_c, cw_c, load, *PARAMETERS) / load
    left = cold / hot * (1 + inverse_cop) - 1
    right = b0 * cold / load + b1 * (hot - cold) / (hot * load) + b2 * load * (1 + inverse_cop) / hot
    assert left == pytest.approx(right, rel=1e-12)


def test_no_load_is_refused() -> None:
    with pytest.raises(OutsideSourceRange, match="cooling load"):
        gordon_ng_power_kw(14.0, 27.0, 0.0, *PARAMETERS)
