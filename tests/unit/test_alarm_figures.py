"""The figures of a journal against a case worked out by hand, and what a person is told about them."""

from __future__ import annotations

import pytest

from plantview.alarms.advice import advice
from plantview.alarms.figures import Line, figures

DAYS_S = 172_800
LOW, MEDIUM, HIGH = 4, 3, 2


def case() -> list[Line]:
    """Return two days of a journal: background, one chatterer, one stale alarm, one upset."""
    lines: list[Line] = []

    def both(name: str, priority: int, at_s: int, lasts_s: int | None) -> None:
        lines.append(Line(at_s * 1_000, "ANN", name, priority, "", annunciated=True))
        if lasts_s is not None:
            lines.append(Line((at_s + lasts_s) * 1_000, "RTN", name, priority, "", annunciated=False))

    for hour in range(48):
        both(f"BG{hour % 12}", LOW, 3_600 * hour + 30, 300)
    for number in range(5):
        both("CH1.dp", HIGH, 18_100 + 10 * number, 5)
    for number in range(24):
        both(f"PD{number}", LOW if number < 18 else MEDIUM, 43_260 + 5 * number, 46_200 - 43_260 - 5 * number)
    for number in range(6):
        both(f"PE{number}", MEDIUM, 43_900 + 20 * number, 46_200 - 43_900 - 20 * number)
    both("CT1.lvl", MEDIUM, 3_600, None)
    return sorted(lines, key=lambda line: line.at_ms)


def test_the_figures_of_the_worked_case_are_exact() -> None:
    found = figures(case(), 0, DAYS_S * 1_000)
    assert found["total"] == 84
    assert found["per_day"] == pytest.approx(42.0)
    assert found["per_hour"] == pytest.approx(1.75)
    assert found["per_10_min"] == pytest.approx(0.292, abs=5e-4)
    assert found["crowded_pct"] == pytest.approx(0.35, abs=5e-3)
    assert found["peak_10_min"] == 25
    assert found["floods"] == [{"from_ms": 43_200_000, "to_ms": 44_400_000, "count": 31}]
    assert found["top"][0] == {"alarm": "CH1.dp", "count": 5, "pct": pytest.approx(5.952, abs=1e-3)}
    assert found["top_pct"] == pytest.approx(48.8, abs=0.05)
    assert (found["chattering"], found["fleeting"], found["stale"]) == (["CH1.dp"], ["CH1.dp"], ["CT1.lvl"])
    assert [found["mix_pct"][key] for key in "1234"] == pytest.approx([0.0, 6.0, 15.5, 78.6], abs=0.05)


def test_each_missed_goal_says_what_to_do_and_each_met_one_is_silent() -> None:
    rows = {row["name"]: row for row in advice(figures(case(), 0, DAYS_S * 1_000))}
    assert rows["chattering"]["ok"] is False
    assert "off-delay" in rows["chattering"]["remedy"]
    assert rows["annunciated per hour"] == {
        "name": "annunciated per hour",
        "measured": "1.75",
        "goal": "at most 6",
        "ok": True,
        "remedy": "",
    }
    assert rows["priority 1 and 2 of all"]["measured"] == "6.0 %"


def test_a_flood_that_goes_on_has_no_end_yet() -> None:
    lines = [Line(at * 1_000, "ANN", f"A{at}", 3, "", annunciated=True) for at in range(12)]
    assert figures(lines, 0, 600_000)["floods"] == [{"from_ms": 0, "to_ms": None, "count": 12}]


@pytest.mark.parametrize(
    ("kind", "person", "lasts_ms", "fleeting"),
    [("RTN", "", 9_999, True), ("RTN", "", 10_000, False), ("OOS", "", 5_000, False), ("RTN", "JD", 5_000, False)],
)
def test_fleeting_is_short_and_untouched(kind: str, person: str, lasts_ms: int, fleeting: bool) -> None:
    lines = [Line(0, "ANN", "A", 3, "", annunciated=True)]
    if person:
        lines.append(Line(1, "ACK", "A", 3, person, annunciated=False))
    lines.append(Line(lasts_ms, kind, "A", 3, "", annunciated=False))
    assert bool(figures(lines, 0, 60_000)["fleeting"]) is fleeting


@pytest.mark.parametrize(("last_ms", "chatters"), [(60_000, True), (60_001, False)])
def test_three_calls_within_a_minute_are_chatter(last_ms: int, chatters: bool) -> None:
    lines = [Line(at, "ANN", "A", 3, "", annunciated=True) for at in (0, 30_000, last_ms)]
    assert bool(figures(lines, 0, 600_000)["chattering"]) is chatters


@pytest.mark.parametrize(("to_ms", "stale"), [(86_400_000, []), (86_400_001, ["A"])])
def test_stale_is_active_for_more_than_a_day(to_ms: int, stale: list[str]) -> None:
    assert figures([Line(0, "ANN", "A", 3, "", annunciated=True)], 0, to_ms)["stale"] == stale


def test_a_quiet_period_divides_by_nothing_and_misses_no_goal() -> None:
    found = figures([], 0, 86_400_000)
    assert (found["total"], found["top_pct"], found["mix_pct"]["1"]) == (0, 0.0, 0.0)
    assert all(row["ok"] for row in advice(found))


def test_a_period_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(ValueError, match="ends before it begins"):
        figures([], 5, 5)


def test_a_rate_of_a_short_period_is_not_judged() -> None:
    rows = {row["name"]: row for row in advice(figures(case()[:5], 0, 3_599_999))}
    assert (rows["annunciated per day"]["ok"], rows["annunciated per hour"]["ok"]) == (None, None)
    assert rows["annunciated per hour"]["measured"] == "too early"
    assert rows["annunciated per 10 min"]["ok"] is True


@pytest.mark.parametrize(("here", "floods"), [(9, 0), (10, 1)])
def test_a_flood_begins_with_ten_and_its_end_is_not_part_of_it(here: int, floods: int) -> None:
    lines = [Line(at, "ANN", f"A{at}", 3, "", annunciated=True) for at in range(here)]
    lines += [Line(600_000 + at, "ANN", f"B{at}", 3, "", annunciated=True) for at in range(4)]
    found = figures(lines, 0, 1_200_000)["floods"]
    assert len(found) == floods
    assert all(flood == {"from_ms": 0, "to_ms": 600_000, "count": 10} for flood in found)


def test_a_goal_that_is_just_met_is_met() -> None:
    lines = [Line(3_600_000 * hour, "ANN", f"A{hour}", 4, "", annunciated=True) for hour in range(10)]
    rows = {row["name"]: row for row in advice(figures(lines, 0, 86_400_000))}
    assert (rows["annunciated per day"]["measured"], rows["annunciated per day"]["ok"]) == ("10.0", True)
