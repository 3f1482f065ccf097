"""The 83 check values at their tolerances, each with its oracle and implementation named."""

from __future__ import annotations

from typing import Any

import pytest

from tests.standards.check_values import ROWS, WAYS, libraries_behind, misses


def name_of(row: dict[str, Any]) -> str:
    way = WAYS[row["id"]]
    return f"{row['id']}: {way.implementation} against {way.oracle}"


@pytest.mark.parametrize("row", ROWS, ids=name_of)
def test_a_check_value_is_met(row: dict[str, Any]) -> None:
    assert misses(row) == []


def test_all_83_are_here_and_every_way_is_used() -> None:
    assert len(ROWS) == 83
    assert {row["id"] for row in ROWS} == set(WAYS)


@pytest.mark.parametrize("kind", WAYS)
def test_no_implementation_computes_with_its_own_oracle(kind: str) -> None:
    way = WAYS[kind]
    assert way.oracle.partition(" ")[0] not in libraries_behind(way.implementation)


def test_the_comparison_of_libraries_finds_one_that_is_the_same() -> None:
    assert "psychrolib" in libraries_behind("tests.standards.test_air")
    assert "numpy" in libraries_behind("plantview.calcs.water"), "through _numeric"


@pytest.mark.parametrize("kind", WAYS)
def test_a_thousandth_more_is_noticed(kind: str) -> None:
    """The tolerances are small enough to mean something: each kind notices a wrong expectation somewhere."""
    noticed = []
    for row in (row for row in ROWS if row["id"] == kind):
        moved = {**row, "expected": _moved(row["expected"], max(2.1 * row["tol"], 1e-9))}
        noticed.append(misses(moved) != [])
    assert all(noticed)


def _moved(expected: Any, step: float) -> Any:
    if isinstance(expected, dict):
        return {key: _moved(value, step) for key, value in expected.items()}
    return [_moved(each, step) for each in expected] if isinstance(expected, list) else expected + step
