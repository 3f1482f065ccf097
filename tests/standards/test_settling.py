"""How a reconciliation settles.

Implementation: plantview.calcs._settling, under plantview.calcs.reconcile. Oracles: the method
itself (Gauss-Newton on linear balances is there after one step), the closed form of the covariance
after adjustment, V - V A' (A V A')⁻¹ A V, with slopes differentiated by hand, and units: what is
counted in standard deviations cannot depend on them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from plantview.calcs.reconcile import reconcile, reconcile_rows
from plantview.calcs.uncertainty import COVERAGE_95
from plantview.errors import OutsideSourceRange

Balances = Callable[[Sequence[float]], Sequence[float]]


class Counted:
    """Balances that count how often they are asked."""

    def __init__(self, balances: Balances) -> None:
        self._balances, self.times = balances, 0

    def __call__(self, x: Sequence[float]) -> Sequence[float]:
        self.times += 1
        return self._balances(x)

    def rounds(self, readings: int) -> float:
        """Return the rounds: once to count the balances, then each time here and to both sides of each reading."""
        return (self.times - 1) / (1 + 2 * readings)


def test_linear_balances_are_there_after_one_step_and_the_second_confirms_it() -> None:
    header = Counted(lambda x: [x[0] - x[1] - x[2]])
    found = reconcile((100.0, 60.0, 44.0), (2.0, 2.0, 2.0), header)
    assert found.values == pytest.approx((100 + 4 / 3, 60 - 4 / 3, 44 - 4 / 3), rel=1e-12)
    assert header.rounds(3) == 2


def test_a_balance_that_never_settles_is_given_up_after_twenty_rounds() -> None:
    never = Counted(lambda x: [x[0] ** 2 + 1.0])
    with pytest.raises(OutsideSourceRange, match=r"^the balances do not settle in 20 rounds$"):
        reconcile((2.0,), (1.0,), never)
    assert never.rounds(1) == 20


def test_slopes_are_those_of_the_formula_where_it_bends_within_the_accuracy() -> None:
    """x³ = y near 1 with sensors as unsure as 1: the chord over a tenth of a deviation reads 0.3 % steep."""
    found = reconcile((1.0, 1.0), (COVERAGE_95, COVERAGE_95), lambda x: [x[0] ** 3 - x[1]])
    assert found.values == pytest.approx((1.0, 1.0), abs=1e-9)
    slopes = np.array([[3.0, -1.0]])
    after = np.eye(2) - slopes.T @ slopes / 10.0
    assert found.u95 == pytest.approx(COVERAGE_95 * np.sqrt(np.diag(after)), rel=2e-4)


def heat(x: Sequence[float]) -> list[float]:
    """kW: flow, entering and leaving temperature, electric power."""
    return [4.19 * x[0] * (x[1] - x[2]) - x[3]]


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_a_reconciliation_is_the_same_in_any_unit(scale: float) -> None:
    readings, spreads = (20.0, 12.0, 7.0, 440.0), (1.0, 0.2, 0.2, 8.0)
    found = reconcile(readings, spreads, heat)
    assert found.values != pytest.approx(readings, rel=1e-3)
    assert abs(heat(found.values)[0]) < 1e-7
    other = reconcile(
        [each * scale for each in readings], [each * scale for each in spreads],
        lambda x: heat([each / scale for each in x]),
    )  # fmt: skip
    assert [each / scale for each in other.values] == pytest.approx(found.values, rel=1e-9)
    assert other.chi2 == pytest.approx(found.chi2, rel=1e-9)
    assert other.statistics == pytest.approx(found.statistics, rel=1e-9)


@pytest.mark.parametrize(
    ("readings", "balances"),
    [((1.0,), lambda x: [0.0 * x[0]]), ((1.0, 2.0), lambda x: []), ((), lambda x: [3.0])],
    ids=["a balance that sees nothing", "no balance", "no reading"],
)  # fmt: skip
def test_where_no_balance_sees_a_reading_there_is_nothing_to_adjust(
    readings: tuple[float, ...], balances: Balances
) -> None:
    with pytest.raises(OutsideSourceRange, match=r"^the balances contain each other, or see no reading at all$"):
        reconcile(readings, [0.1] * len(readings), balances)


def test_a_balance_that_is_no_number_is_said_to_be_none() -> None:
    with pytest.raises(OutsideSourceRange, match=r"^the balances give no number$"):
        reconcile((1.0,), (0.1,), lambda x: [x[0] - float("nan")])


def test_rows_without_a_balance_are_marked_and_have_nothing_to_stay_below() -> None:
    found = reconcile_rows(np.ones((2, 3)), np.ones((2, 3)), lambda x, some: [])
    assert found.trouble.all()
    assert found.limit == 0.0


@pytest.mark.parametrize(("apart", "answered"), [(5e-6, True), (1.6e-6, False)])
def test_two_balances_that_differ_by_next_to_nothing_contain_each_other(apart: float, answered: bool) -> None:
    """Their own covariance has eigenvalues 4 and apart² / 2: double precision is spent where they are 1e12 apart."""
    assert (8 / apart**2 < 1e12) == answered

    def balances(x: Sequence[float]) -> list[float]:
        return [x[0] - x[1], x[0] - x[1] + apart * x[2]]

    if answered:
        assert reconcile((10.0, 10.0, 0.0), (1.0, 1.0, 1.0), balances).chi2 == pytest.approx(0.0, abs=1e-9)
    else:
        with pytest.raises(OutsideSourceRange, match="contain each other"):
            reconcile((10.0, 10.0, 0.0), (1.0, 1.0, 1.0), balances)
