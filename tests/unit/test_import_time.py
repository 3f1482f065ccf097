"""Stamps of foreign logs: formats, day and month, and the two odd nights of a year, against zoneinfo."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from plantview.importing.day_month import swapped, weigh
from plantview.importing.local_time import Moments, to_utc
from plantview.importing.stamps import NONE, Stamps, read_stamps

VIENNA, CHICAGO = "Europe/Vienna", "America/Chicago"


def utc_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1_000)


def read(texts: list[str], form: str = "%Y-%m-%d %H:%M") -> Stamps:
    return read_stamps(texts, form)


def moments(texts: list[str], zone: str, repeated: str = "by order", series: list[int] | None = None) -> Moments:
    return to_utc(read(texts), zone, repeated, np.array(series or [0] * len(texts), np.int32))


@pytest.mark.parametrize(
    ("text", "form", "expected"),
    [
        ("2026-07-01T14:00:00Z", "iso", "2026-07-01T14:00:00+00:00"),
        ("2026-07-01T14:00:00.250+02:00", "iso", "2026-07-01T12:00:00.250+00:00"),
        ("2026-07-01 14:00", "iso", "2026-07-01T14:00:00+00:00"),
        ("07/01/2026 02:05 PM", "%m/%d/%Y %I:%M %p", "2026-07-01T14:05:00+00:00"),
        ("1.7.2026 14:05", "%d.%m.%Y %H:%M", "2026-07-01T14:05:00+00:00"),
        ("01-Jul-26 14:05", "%d-%b-%y %H:%M", "2026-07-01T14:05:00+00:00"),
        ("1782914700", "unix_s", "2026-07-01T14:05:00+00:00"),
        ("1782914700000", "unix_ms", "2026-07-01T14:05:00+00:00"),
        ("2026-06-30 24:00", "%Y-%m-%d %H:%M", "2026-07-01T00:00:00+00:00"),
    ],
)
def test_a_stamp_is_read_in_the_form_that_the_map_names(text: str, form: str, expected: str) -> None:
    assert read_stamps([text], form).at_ms.tolist() == [utc_ms(expected)]


def test_a_spreadsheet_serial_date_counts_from_the_end_of_1899() -> None:
    # ECMA-376 part 1, 18.17.4.1; the standard library agrees that 1899-12-30 and 45658 days are 2025-01-01
    assert date(1899, 12, 30) + timedelta(days=45_658) == date(2025, 1, 1)
    assert read_stamps(["45658.5"], "spreadsheet_days").at_ms.tolist() == [utc_ms("2025-01-01T12:00:00+00:00")]


@pytest.mark.parametrize("text", ["", "*** end of report ***", "31/02/2026 10:00", "99999999999999999999", "yesterday"])
@pytest.mark.parametrize("form", ["%d/%m/%Y %H:%M", "iso", "unix_s"])
def test_what_is_no_time_is_said_to_be_none(text: str, form: str) -> None:
    assert read_stamps([text], form).at_ms.tolist() == [NONE]


def test_a_text_with_its_own_offset_needs_no_zone_and_its_neighbour_without_one_does() -> None:
    stamps = read_stamps(["2026-07-01T14:00:00Z", "2026-07-01T14:00:00"], "iso")
    found = to_utc(stamps, CHICAGO, "by order", np.zeros(2, np.int32))
    assert found.utc_ms.tolist() == [utc_ms("2026-07-01T14:00:00+00:00"), utc_ms("2026-07-01T14:00:00-05:00")]


@pytest.mark.parametrize(
    ("zone", "start", "hours"),
    [(VIENNA, "2026-10-24T22:00", 25), (VIENNA, "2026-03-28T23:00", 23), (CHICAGO, "2026-11-01T05:00", 25)],
)
def test_a_whole_night_of_a_clock_change_keeps_every_minute_in_its_place(zone: str, start: str, hours: int) -> None:
    """Oracle: every UTC minute of the local day, written down by zoneinfo as that site's clock shows it."""
    first = datetime.fromisoformat(start).replace(tzinfo=UTC)
    minutes = [first + timedelta(minutes=number) for number in range(hours * 60)]
    texts = [minute.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M") for minute in minutes]
    assert texts[0].endswith("00:00")
    assert texts[-1].endswith("23:59")
    found = moments(texts, zone)
    assert found.utc_ms.tolist() == [round(minute.timestamp() * 1_000) for minute in minutes]
    assert found.second_pass.sum() == (60 if hours == 25 else 0)
    assert not found.skipped_hour.any()


def test_the_same_night_written_newest_first_is_the_same() -> None:
    minutes = [datetime(2026, 10, 24, 22, tzinfo=UTC) + timedelta(minutes=number) for number in range(25 * 60)]
    texts = [minute.astimezone(ZoneInfo(VIENNA)).strftime("%Y-%m-%d %H:%M") for minute in minutes][::-1]
    found = moments(texts, VIENNA)
    assert found.utc_ms.tolist() == [round(minute.timestamp() * 1_000) for minute in minutes][::-1]
    assert found.newest_first.all()


def test_each_series_of_a_long_log_has_its_own_second_pass() -> None:
    texts = ["2026-10-25 02:30", "2026-10-25 02:30", "2026-10-25 02:30", "2026-10-25 02:45"]
    found = moments(texts, VIENNA, series=[0, 1, 0, 1])
    assert found.second_pass.tolist() == [False, False, True, False]
    assert found.one_pass.tolist() == [False, True, False, True]


@pytest.mark.parametrize(("repeated", "offset"), [("earlier", "+02:00"), ("later", "+01:00")])
def test_a_map_may_settle_the_repeated_hour(repeated: str, offset: str) -> None:
    found = moments(["2026-10-25 02:30"], VIENNA, repeated)
    assert found.utc_ms.tolist() == [utc_ms(f"2026-10-25T02:30:00{offset}")]


def test_an_hour_that_the_spring_night_does_not_have_is_refused() -> None:
    found = moments(["2026-03-29 01:59", "2026-03-29 02:30", "2026-03-29 03:00"], VIENNA)
    assert found.skipped_hour.tolist() == [False, True, False]
    assert found.utc_ms[1] == NONE
    assert found.utc_ms[2] - found.utc_ms[0] == 60_000


def test_a_clock_without_summer_time_has_neither_night() -> None:
    found = moments(["2026-03-29 02:30", "2026-10-25 02:30"], "Etc/GMT-1")
    assert found.utc_ms.tolist() == [utc_ms("2026-03-29T02:30:00+01:00"), utc_ms("2026-10-25T02:30:00+01:00")]
    assert not found.one_pass.any()


def test_day_and_month_can_be_confused_only_where_both_are_numbers() -> None:
    assert swapped("%d/%m/%Y %H:%M") == "%m/%d/%Y %H:%M"
    assert swapped("%Y-%m-%d %H:%M") is None
    assert swapped("%d-%b-%Y") is None


def test_a_day_above_twelve_tells_that_day_and_month_are_changed_over() -> None:
    texts = ["05/06/2026 10:00", "13/06/2026 10:00"]
    given, other = (read(texts, form).at_ms for form in ("%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M"))
    assert "a day above 12" in weigh(given, other, "%m/%d/%Y", "%d/%m/%Y")
    assert weigh(other, given, "%d/%m/%Y", "%m/%d/%Y") == ""


def test_jumps_from_month_to_month_tell_too() -> None:
    texts = [f"{day:02d}/06/2026 10:00" for day in range(1, 10)]
    given, other = (read(texts, form).at_ms for form in ("%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M"))
    assert all(b - a > 20 * 86_400_000 for a, b in pairwise(given.tolist()))
    assert "jumps 8 times" in weigh(given, other, "%m/%d/%Y", "%d/%m/%Y")
    assert weigh(other, given, "%d/%m/%Y", "%m/%d/%Y") == ""


def test_one_day_that_reads_both_ways_is_a_doubt() -> None:
    texts = ["05/06/2026 10:00", "05/06/2026 11:00"]
    given, other = (read(texts, form).at_ms for form in ("%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M"))
    assert "reads both ways" in weigh(given, other, "%m/%d/%Y", "%d/%m/%Y")
