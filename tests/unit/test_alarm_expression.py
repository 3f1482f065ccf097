"""Conditions in the trade's words: what they mean, and what is said when they cannot be read."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantview.alarms.expression import Clause, ExpressionError, parse, signals_of
from plantview.alarms.gate import Gate
from plantview.model.reading import Frame, Reading, bad, good
from plantview.model.signal import signal_of
from tests.unit.alarm_rig import small_plant

PLANT = small_plant()
SIGNALS = {name: signal_of(point) for name, point in PLANT.points.items()}


def read(text: str) -> Clause:
    return parse(text, PLANT, SIGNALS)


def frame(**values: float | None) -> Frame:
    names = {
        "status": "CH-1.status",
        "load": "CH-1.load_pct",
        "mode": "CH-1.mode",
        "fan": "CT-1-FAN.status",
        "temp": "CH-1.chws_temp",
        "pump": "CHWP-1.status",
    }
    readings: dict[str, Reading] = {
        names[name]: bad("no data", 0) if value is None else good(value, 0) for name, value in values.items()
    }
    return Frame(1, 0, readings)


def truth(text: str, **values: float | None) -> bool | None:
    return Gate(read(text)).evaluate(frame(**values), 0.0)


@pytest.mark.parametrize(
    ("text", "values", "expected"),
    [
        ("CH-1 runs", {"status": 1}, True),
        ("CH-1 runs", {"status": 0}, False),
        ("CH-1 runs", {"status": None}, None),
        ("CH-1 runs", {}, None),
        ("not CH-1 runs", {"status": 0}, True),
        ("not CH-1 runs", {"status": None}, None),
        ("CT-1 runs", {"fan": 1}, True),
        ("any chiller runs", {"status": 1}, True),
        ("any pump runs", {"pump": 0}, False),
        ("CH-1.mode is RUN", {"mode": 3}, True),
        ("CH-1.mode is run", {"mode": 3}, True),
        ("CH-1.mode is not RUN", {"mode": 3}, False),
        ("CH-1.mode is WAITING FOR FLOW", {"mode": 1}, True),
        ("CH-1.mode is 'WAITING FOR FLOW' and CH-1 runs", {"mode": 1, "status": 1}, True),
        ("CH-1.load_pct above 30 %", {"load": 30.0}, False),
        ("CH-1.load_pct above 30 %", {"load": 30.1}, True),
        ("CH-1.load_pct below 30 %", {"load": 30.0}, False),
        ("CH-1.chws_temp above 10 degC", {"temp": 50.0}, False),
        ("CH-1.chws_temp above 10 degC", {"temp": 50.1}, True),
        ("CH-1 runs and CH-1.load_pct above 30 %", {"status": 0, "load": None}, False),
        ("CH-1 runs and CH-1.load_pct above 30 %", {"status": 1, "load": None}, None),
        ("CH-1 runs or CH-1.load_pct above 30 %", {"status": 1, "load": None}, True),
        ("CH-1 runs or CH-1.load_pct above 30 %", {"status": 0, "load": None}, None),
        ("CH-1 runs or CHWP-1 runs and CH-1.load_pct above 30 %", {"status": 1, "pump": 0, "load": 0}, True),
        ("(CH-1 runs or CHWP-1 runs) and CH-1.load_pct above 30 %", {"status": 1, "pump": 0, "load": 0}, False),
    ],
)
def test_a_condition_is_true_false_or_unknown(
    text: str, values: dict[str, float | None], expected: bool | None
) -> None:
    assert truth(text, **values) is expected


def test_for_counts_from_the_moment_it_became_true() -> None:
    gate = Gate(read("CH-1 runs for 15 min"))
    assert gate.evaluate(frame(status=0), 0.0) is False
    assert gate.evaluate(frame(status=1), 10.0) is False
    assert gate.evaluate(frame(status=1), 909.9) is False
    assert gate.evaluate(frame(status=1), 910.0) is True
    assert gate.evaluate(frame(status=0), 911.0) is False
    assert gate.evaluate(frame(status=1), 912.0) is False


def test_what_ran_already_when_watching_began_is_unknown_until_the_time_has_passed() -> None:
    gate = Gate(read("CH-1 runs for 15 min"))
    assert gate.evaluate(frame(status=1), 0.0) is None
    assert gate.evaluate(frame(status=1), 899.0) is None
    assert gate.evaluate(frame(status=1), 900.0) is True


def test_a_start_that_was_watched_is_known_even_if_it_ran_when_watching_began() -> None:
    gate = Gate(read("CH-1 runs for 15 min"))
    assert gate.evaluate(frame(status=1), 0.0) is None
    assert gate.evaluate(frame(status=0), 10.0) is False
    assert gate.evaluate(frame(status=1), 20.0) is False


def test_an_unknown_moment_does_not_start_the_time_again() -> None:
    gate = Gate(read("CH-1 runs for 15 min"))
    gate.evaluate(frame(status=0), 0.0)
    gate.evaluate(frame(status=1), 10.0)
    assert gate.evaluate(frame(status=None), 500.0) is None
    assert gate.evaluate(frame(status=1), 910.0) is True


def test_not_before_for_binds_to_the_test() -> None:
    gate = Gate(read("not CH-1 runs for 1 min"))
    gate.evaluate(frame(status=1), 0.0)
    assert gate.evaluate(frame(status=0), 10.0) is False
    assert gate.evaluate(frame(status=0), 70.0) is True


def test_each_for_has_its_own_time() -> None:
    gate = Gate(read("CH-1 runs for 1 min or CHWP-1 runs for 2 min"))
    gate.evaluate(frame(status=0, pump=0), 0.0)
    gate.evaluate(frame(status=0, pump=1), 10.0)
    assert gate.evaluate(frame(status=1, pump=1), 100.0) is False
    assert gate.evaluate(frame(status=0, pump=1), 130.0) is True


def test_a_condition_names_the_signals_it_looks_at() -> None:
    names = [
        signal.name for signal in signals_of(read("CH-1 runs for 1 h and (CH-1.load_pct above 3 % or not CT-1 runs)"))
    ]
    assert names == ["CH-1.status", "CH-1.load_pct", "CT-1-FAN.status"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "ends where a test"),
        ("CH-1", "ends where 'runs', 'is', 'above' or 'below'"),
        ("CH-9 runs", "no equipment 'CH-9'; did you mean CH-1?"),
        ("V-1 runs", "V-1 has no run status"),
        ("CH-1 works", "'works' after CH-1 is not understood"),
        ("CH-1.mod is RUN", "no signal 'CH-1.mod'; did you mean CH-1.mode?"),
        ("CH-1.mode is RUNNING", "no state 'RUNNING'; its states are OFF, WAITING FOR FLOW, RUN"),
        ("CH-1.load_pct is RUN", "CH-1.load_pct is no state"),
        ("CH-1.load_pct above 30", "ends where a unit is expected"),
        ("CH-1.load_pct above 30 degF", "'degF' is no unit of percent"),
        ("CH-1.load_pct above lots %", "'lots %' is not a number with a unit"),
        ("CH-1.load_pct above nan %", "not a finite number"),
        ("CH-1.mode above 3 %", "'%' is no unit of state"),
        ("CH-1 runs for 15", "ends where s, min or h is expected"),
        ("CH-1 runs for 15 minutes", "'15 minutes' is no duration"),
        ("CH-1 runs for 0 s", "must be above 0"),
        ("CH-1 runs for 25 h", "at most 24 h"),
        ("CH-1 runs for nan s", "must be above 0"),
        ("CH-1 runs CHWP-1 runs", "'CHWP-1' is not expected there"),
        ("(CH-1 runs", "a bracket is not closed"),
        ("CH-1 runs)", "')' is not expected there"),
        ("CH-1.mode is 'RUN", "a quotation mark is not closed in: 'RUN"),
        ("any boiler runs", "no boiler has a run status; kinds of this plant: chiller, pump"),
        ("any chiller", "must be followed by 'runs'"),
        ("CH-1 runs and", "ends where a test"),
        ("(" * 13 + "CH-1 runs" + ")" * 13, "more than 12 brackets"),
        ("CH-1 runs or " * 40 + "CH-1 runs", "400 are the most"),
        ("__import__('os') is RUN", "is not understood"),
    ],
)
def test_a_condition_that_cannot_be_read_says_where_and_what_would_be_right(text: str, message: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        read(text)
    assert message in str(caught.value)


WORDS = st.sampled_from(
    [
        "CH-1",
        "CH-1.mode",
        "CH-1.load_pct",
        "runs",
        "is",
        "not",
        "RUN",
        "above",
        "below",
        "30",
        "%",
        "for",
        "min",
        "and",
        "or",
        "(",
        ")",
        "any",
        "chiller",
        "'",
        "\x00",
        "é",
    ]
)


@given(st.lists(WORDS, max_size=15).map(" ".join) | st.text(max_size=60))
def test_any_text_is_either_read_or_refused_by_name(text: str) -> None:
    with contextlib.suppress(ExpressionError):
        tree = read(text)
        assert signals_of(tree)
        assert Gate(tree).evaluate(frame(), 0.0) is None
