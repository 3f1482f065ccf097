"""Reconciliation.

Implementation: plantview.calcs.reconcile. Oracles: the exchanger network with bypass of Narasimhan
and Jordache, Data Reconciliation and Gross Error Detection (2000), example 1-1 (numbers from memory,
solution by another program); worked cases of a header and of a chiller's heat balance; chi-square
quantiles as tables print them and by scipy.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from scipy import stats  # type: ignore[import-untyped]

from plantview.calcs.reconcile import chi2_limit, reconcile, reconcile_rows
from plantview.calcs.uncertainty import COVERAGE_95
from plantview.errors import OutsideSourceRange

NETWORK = (101.91, 64.45, 34.65, 64.20, 36.44, 98.88)
NETWORK_ADJUSTED = (100.22, 64.50, 35.72, 64.50, 35.72, 100.22)


def network(x: Sequence[float]) -> list[float]:
    """Split, two paths, and mix again."""
    return [x[0] - x[1] - x[2], x[1] - x[3], x[2] - x[4], x[3] + x[4] - x[5]]


def header(x: Sequence[float]) -> list[float]:
    return [x[0] - x[1] - x[2]]


def heat_tons(x: Sequence[float]) -> list[float]:
    """gpm, CHWR, CHWS, gpm, CWS, CWR, kW by the rule of 24."""
    return [x[0] * (x[1] - x[2]) / 24 + x[6] / 3.51685284 - x[3] * (x[5] - x[4]) / 24]


def test_the_published_network() -> None:
    found = reconcile(NETWORK, [COVERAGE_95] * 6, network)
    assert found.values == pytest.approx(NETWORK_ADJUSTED, rel=0, abs=0.005)
    assert found.chi2 == pytest.approx(6.407, abs=0.001)
    assert found.limit == pytest.approx(9.488, abs=0.0005)
    assert found.closes
    assert max(abs(left) for left in network(found.values)) < 1e-9


def test_a_header_and_its_two_chillers() -> None:
    found = reconcile((2_400, 1_180, 1_270), (48.0, 35.4, 38.1), header)
    assert found.values == pytest.approx((2_423.0, 1_167.49, 1_255.51), rel=0, abs=0.006)
    assert found.u95 == pytest.approx((35.27, 30.65, 32.11), rel=0, abs=0.006)
    assert found.chi2 == pytest.approx(1.9174, abs=0.0001)
    assert found.closes


def test_a_header_with_a_wrong_meter_does_not_close_and_cannot_name_it() -> None:
    found = reconcile((2_400, 1_180, 1_430), (48.0, 35.4, 42.9), header)
    assert found.chi2 == pytest.approx(31.39, abs=0.005)
    assert not found.closes
    assert found.groups == ((0, 1, 2),)
    assert found.statistics == pytest.approx([found.statistics[0]] * 3)


HEAT, HEAT_U95 = (1_000.0, 54.0, 44.0, 1_250.0, 85.0, 94.6, 250.0), (20.0, 0.2, 0.2, 31.25, 0.2, 0.2, 2.5)


def test_a_chillers_heat_balance() -> None:
    assert heat_tons(HEAT)[0] == pytest.approx(-12.25, abs=0.005)
    found = reconcile(HEAT, HEAT_U95, heat_tons)
    assert found.chi2 == pytest.approx(0.993, abs=0.0005)
    flow, hot, cold = found.values[:3]
    assert flow * (hot - cold) / 24 == pytest.approx(421.10, abs=0.01)
    assert abs(heat_tons(found.values)[0]) < 1e-6, "linearised until it closes"


def test_a_wrong_condenser_meter_makes_all_seven_sensors_equally_suspect() -> None:
    found = reconcile((*HEAT[:3], 1_100.0, *HEAT[4:]), HEAT_U95, heat_tons)
    assert not found.closes
    assert found.chi2 == pytest.approx(16.22, rel=0.02)
    assert found.statistics == pytest.approx([4.03] * 7, rel=0.01)
    assert found.groups == (tuple(range(7)),)


def test_two_balances_name_the_culprit_that_one_cannot() -> None:
    """Header = sum of chillers twice, on supply and return: the meter that is in one of them only is found."""
    found = reconcile((2_400.0, 1_180.0, 1_430.0, 2_410.0, 1_184.0), (24.0, 24.0, 24.0, 24.0, 24.0),
                      lambda x: [x[0] - x[1] - x[2], x[3] - x[1] - x[2], x[1] - x[4]])  # fmt: skip
    assert not found.closes
    assert max(range(5), key=lambda place: found.statistics[place]) == 2
    assert all(2 not in group for group in found.groups)


def test_a_sensor_that_no_balance_sees_is_left_as_it_is() -> None:
    found = reconcile((10.0, 6.0, 5.0, 99.0), (0.5, 0.5, 0.5, 3.0), header)
    assert found.values[3] == 99.0
    assert found.statistics[3] == 0.0
    assert found.u95[3] == 3.0
    assert all(3 not in group for group in found.groups)


def test_adjustments_are_never_less_sure_than_readings() -> None:
    found = reconcile(NETWORK, [COVERAGE_95] * 6, network)
    assert all(after < before for after, before in zip(found.u95, [COVERAGE_95] * 6, strict=True))


def test_in_repeated_draws_the_test_rejects_5_percent_and_errors_are_as_large_as_stated() -> None:
    """Five hundred plants whose sensors err exactly as declared."""
    draws = np.random.default_rng(7).normal(NETWORK_ADJUSTED, 1.0, size=(500, 6))
    found = [reconcile(row.tolist(), [COVERAGE_95] * 6, network) for row in draws]
    assert np.mean([not each.closes for each in found]) == pytest.approx(0.05, abs=0.025)
    spread = np.std([each.values[0] for each in found])
    assert spread * COVERAGE_95 == pytest.approx(found[0].u95[0], rel=0.08)


# degrees of freedom, 95 % quantile: as statistical tables print it
PRINTED = [(1, 3.841), (2, 5.991), (3, 7.815), (4, 9.488), (5, 11.070), (10, 18.307), (20, 31.410), (30, 43.773)]


@pytest.mark.parametrize(("freedom", "printed"), PRINTED)
def test_chi_square_limits_agree_with_printed_tables(freedom: int, printed: float) -> None:
    assert chi2_limit(freedom) == pytest.approx(printed, rel=0, abs=0.0006)


@pytest.mark.parametrize("freedom", [1, 2, 7, 40, 120])
@pytest.mark.parametrize("share", [0.05, 0.5, 0.95, 0.999])
def test_chi_square_limits_agree_with_scipy(freedom: int, share: float) -> None:
    assert chi2_limit(freedom, share) == pytest.approx(float(stats.chi2.ppf(share, freedom)), rel=1e-9)


@pytest.mark.parametrize(("freedom", "share"), [(0, 0.95), (3, 0.0), (3, 1.0)])
def test_a_limit_without_meaning_is_refused(freedom: int, share: float) -> None:
    with pytest.raises(OutsideSourceRange):
        chi2_limit(freedom, share)


def test_balances_that_contain_each_other_are_refused() -> None:
    with pytest.raises(OutsideSourceRange, match="contain each other"):
        reconcile((10.0, 6.0, 5.0), (0.5, 0.5, 0.5), lambda x: [x[0] - x[1] - x[2], 2 * (x[0] - x[1] - x[2])])


def test_a_reading_without_uncertainty_is_refused() -> None:
    with pytest.raises(OutsideSourceRange, match="uncertainty above 0"):
        reconcile((10.0, 6.0, 5.0), (0.5, 0.0, 0.5), header)
    with pytest.raises(OutsideSourceRange, match="number"):
        reconcile((10.0, float("nan"), 5.0), (0.5, 0.5, 0.5), header)
    with pytest.raises(ValueError, match="3 readings and 2"):
        reconcile((10.0, 6.0, 5.0), (0.5, 0.5), header)


def test_a_balance_that_never_settles_is_refused() -> None:
    with pytest.raises(OutsideSourceRange, match="do not settle"):
        reconcile((2.0,), (1.0,), lambda x: [x[0] ** 2 + 1.0])


def test_a_matched_pair_is_adjusted_together() -> None:
    """Two sensors that err together cannot explain a wrong difference: the flow must."""

    def heat(x: Sequence[float]) -> list[float]:
        return [x[0] * (x[1] - x[2]) - x[3]]

    readings, spreads = (100.0, 12.0, 7.0, 520.0), (5.0, 0.2, 0.2, 1.0)
    alone, paired = (reconcile(readings, spreads, heat, together) for together in ({}, {(1, 2): 0.98}))
    assert abs(paired.values[0] - 100.0) > abs(alone.values[0] - 100.0)
    assert paired.values[1] - paired.values[2] < alone.values[1] - alone.values[2]
    assert paired.chi2 > alone.chi2
    for found in (alone, paired):
        assert heat(found.values)[0] == pytest.approx(0.0, abs=1e-6)


def test_with_a_pair_the_result_is_the_textbook_formula() -> None:
    """Linear, correlated: V - V A' (A V A')⁻¹ A V by hand."""
    v = np.array([[1.0, 0.6, 0.0], [0.6, 1.0, 0.0], [0.0, 0.0, 4.0]])
    a, y = np.array([[1.0, -1.0, 1.0]]), np.array([10.0, 6.0, -3.0])
    inverse = np.linalg.inv(a @ v @ a.T)
    x = y - v @ a.T @ inverse @ (a @ y)
    after = v - v @ a.T @ inverse @ a @ v
    found = reconcile(
        y.tolist(), (COVERAGE_95 * np.sqrt(np.diag(v))).tolist(), lambda z: [z[0] - z[1] + z[2]], {(0, 1): 0.6}
    )
    assert found.values == pytest.approx(x.tolist())
    assert found.u95 == pytest.approx((COVERAGE_95 * np.sqrt(np.diag(after))).tolist())
    assert found.chi2 == pytest.approx(float((y - x) @ np.linalg.inv(v) @ (y - x)))


def test_one_wrong_sensor_of_a_pair_is_accused_most() -> None:
    """The measurement test of maximum power finds a single gross error, correlated or not."""

    def balances(x: Sequence[float]) -> list[float]:
        return [x[0] * (x[1] - x[2]) - x[3], x[1] - x[4], x[2] - x[5]]

    true = (100.0, 12.0, 7.0, 500.0, 12.0, 7.0)
    spreads = (1.0, 0.2, 0.2, 5.0, 0.2, 0.2)
    for wrong, by in ((0, 8.0), (1, 1.0), (2, -1.0), (5, 1.0)):
        readings = [value + (by if place == wrong else 0.0) for place, value in enumerate(true)]
        found = reconcile(readings, spreads, balances, {(1, 2): 0.9})
        worst = max(range(6), key=lambda place: found.statistics[place])
        assert worst == wrong or any({worst, wrong} <= set(group) for group in found.groups), (wrong, found.statistics)


def test_two_sensors_that_look_alike_are_a_group() -> None:
    found = reconcile((10.0, 9.0, 4.0), (0.5, 0.5, 0.5), lambda x: [x[0] - x[1]])
    assert found.groups == ((0, 1),)


def test_many_sets_at_once_are_adjusted_as_each_alone_and_one_without_an_answer_disturbs_no_other() -> None:
    draws = np.random.default_rng(5).normal(NETWORK, 1.0, (20, 6))
    draws[7, 2] = np.nan

    def rows(columns: Sequence[Any], some: Sequence[int] | None) -> list[Any]:
        every: list[Any] = network(columns)
        return every if some is None else [every[place] for place in some]

    spreads = np.full(draws.shape, COVERAGE_95)
    places = [[place for place, row in enumerate(np.eye(6)) if network(row.tolist())[balance]] for balance in range(4)]
    touching = [[balance for balance, sensors in enumerate(places) if reading in sensors] for reading in range(6)]
    for told in (None, touching):
        found = reconcile_rows(draws, spreads, rows, touching=told)
        assert np.flatnonzero(found.trouble).tolist() == [7]
        for at in (0, 6, 8, 19):
            assert found.one(at) == reconcile(draws[at].tolist(), [COVERAGE_95] * 6, network)


@pytest.mark.parametrize(("share", "seen"), [(9e-6, True), (2.5e-7, False)])
def test_a_single_balance_accuses_alike_all_sensors_that_it_sees_and_not_one_that_it_hardly_sees(
    share: float, seen: bool
) -> None:
    """A leg that carries a millionth of the balance's own variance can neither be blamed nor cleared by it."""
    little = float(np.sqrt(3 * share / (1 - share)))
    found = reconcile((10.0, 6.0, 5.0, 1.0), [COVERAGE_95] * 4, lambda x: [x[0] - x[1] - x[2] - little * x[3]])
    accused = abs(10 - 6 - 5 - little) / np.sqrt(3 + little**2)
    assert found.statistics == pytest.approx([accused] * 3 + [accused if seen else 0.0], rel=1e-6)
    assert found.groups == ((0, 1, 2, 3) if seen else (0, 1, 2),)


@pytest.mark.parametrize(("less_alike", "together"), [(5e-7, True), (5e-6, False)])
def test_sensors_are_one_group_where_their_statistics_differ_by_less_than_a_millionth(
    less_alike: float, together: bool
) -> None:
    """Cosine between what two balances see of either sensor, A' (A A')⁻¹ A, worked out beside it."""
    weight = float(np.sqrt(less_alike))
    a = np.array([[1.0, -1.0, 0.0], [0.0, weight, -1.0]])
    seen = a.T @ np.linalg.inv(a @ a.T) @ a
    assert 1 - abs(seen[0, 1]) / np.sqrt(seen[0, 0] * seen[1, 1]) == pytest.approx(less_alike, rel=0.02)
    found = reconcile((10.0, 9.0, 0.1), [COVERAGE_95] * 3, lambda x: [x[0] - x[1], weight * x[1] - x[2]])
    assert found.groups == (((0, 1),) if together else ())


def test_a_misfit_at_the_limit_still_closes_and_one_beyond_it_does_not() -> None:
    found = reconcile(NETWORK, [COVERAGE_95] * 6, network)
    assert dataclasses.replace(found, chi2=found.limit).closes
    assert not dataclasses.replace(found, chi2=float(np.nextafter(found.limit, np.inf))).closes


@pytest.mark.parametrize("spread", [0.1, 0.3, 0.5, 1.0, 3.0])
def test_readings_that_the_balances_fix_altogether_have_no_uncertainty_left(spread: float) -> None:
    found = reconcile((100.0, 60.0), (spread, 1.0), lambda x: [x[0] - 99.0, x[1] - 0.6 * x[0]])
    assert found.values == pytest.approx((99.0, 59.4), abs=1e-9)
    assert found.u95 == pytest.approx((0.0, 0.0), abs=1e-6)
