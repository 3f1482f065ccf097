"""A controller's own clock, the numbers of its records, and which points it logs and watches.

UTC_Offset: ANSI/ASHRAE 135, clause 12.11, minutes from local standard time to UTC, positive west of Greenwich. Standard times
of the zones: the tz database (Chicago UTC-6, Berlin UTC+1, Adelaide UTC+9:30).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from plantview.clock import ManualClock
from plantview.model.point import BacnetAddress
from plantview.simulator.devices import log_records
from plantview.simulator.devices.alarm_list import Limits, alarm_row, in_unit
from plantview.simulator.devices.device_clock import DeviceClock, bacnet_date_time, python_date_time
from plantview.simulator.devices.log_list import LOGS_MAX, logs_of
from plantview.simulator.devices.log_records import Record, Records
from tests.interop.simulated import bacnet_point, larkfield

WINTER_MS, SUMMER_MS = 1_764_000_000_000, 1_752_000_000_000  # 2025-11-24 16:00 UTC, 2025-07-08 18:40 UTC
NOON = dt.datetime(2025, 11, 24, 12)  # noqa: DTZ001 - a device's local time bears no zone


@pytest.mark.parametrize(
    ("zone", "at_ms", "offset_min", "saving", "local"),
    [
        ("America/Chicago", WINTER_MS, 360, False, "10:00"),
        ("America/Chicago", SUMMER_MS, 360, True, "13:40"),
        ("Europe/Berlin", SUMMER_MS, -60, True, "20:40"),
        ("Australia/Adelaide", WINTER_MS, -570, True, "02:30"),
        ("UTC", WINTER_MS, 0, False, "16:00"),
    ],
)
def test_a_controller_tells_local_time_and_how_far_standard_time_is_from_utc(
    zone: str, at_ms: int, offset_min: int, saving: bool, local: str
) -> None:
    clock = DeviceClock(ManualClock(at_ms), zone)
    assert (clock.utc_offset_min(), clock.daylight_saving()) == (offset_min, saving)
    assert clock.local().strftime("%H:%M") == local


def test_dates_and_times_survive_the_protocol_to_the_hundredth_of_a_second() -> None:
    at = dt.datetime(2028, 2, 29, 23, 59, 59, 990_000)  # noqa: DTZ001
    assert python_date_time(bacnet_date_time(at)) == at


def test_a_time_with_an_unspecified_part_is_refused() -> None:
    stamp = bacnet_date_time(NOON)
    stamp.date = (125, 255, 255, 255)
    with pytest.raises(ValueError, match="month"):
        python_date_time(stamp)


def filled(count: int, size: int = 10) -> Records:
    records = Records(size)
    for minute in range(count):
        records.add(Record(NOON + dt.timedelta(minutes=minute), bytes(22)))
    return records


def test_the_sequence_number_after_the_largest_is_1(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(log_records, "SEQUENCE_MAX", 7)
    records = filled(10, size=4)  # numbered 1 to 7, then 1, 2, 3
    assert records.total == 3
    part = records.by_sequence(7, 3, 1_000)
    assert (len(part.records), part.first_sequence) == (3, 7)
    assert records.by_sequence(6, 1, 1_000) == log_records.EMPTY


def test_after_a_clock_was_set_back_a_time_finds_the_first_record_that_is_newer() -> None:
    records = filled(5)
    records.add(Record(NOON - dt.timedelta(hours=1), bytes(22)))
    part = records.by_time(NOON + dt.timedelta(minutes=2), 9, 1_000)
    assert (part.first_sequence, len(part.records)) == (4, 3)
    assert records.by_time(NOON, -9, 1_000).records[-1].at == NOON - dt.timedelta(hours=1)


def test_logs_have_the_numbers_of_the_point_list_first_and_are_bounded() -> None:
    named = bacnet_point("named", "analog-input", 900, {})
    named = replace(named, address=BacnetAddress("analog-input", 900, trend_log=1))
    temperatures = [
        replace(bacnet_point(f"t{at}", "analog-input", at, {}), quantity="temperature") for at in range(1, 2 * LOGS_MAX)
    ]
    logs = logs_of([*temperatures, named])
    assert logs[1] is named
    assert len(logs) == LOGS_MAX
    assert sorted(logs) == list(range(1, LOGS_MAX + 1))


def test_limits_are_in_the_unit_that_the_point_reports() -> None:
    plant = larkfield()
    row = alarm_row(plant, plant.points["CT-1.leaving_temp"])
    assert isinstance(row, Limits)
    limits = in_unit(plant.points["CT-1.leaving_temp"], row)
    assert (limits.low, limits.high, limits.deadband) == pytest.approx((39.2, 100.4, 1.8))  # 4 and 38 degC, 1 K
    floating = alarm_row(plant, plant.points["chw-supply.temp"])
    assert isinstance(floating, Limits)
    assert in_unit(plant.points["chw-supply.temp"], floating).high == pytest.approx(4.5)  # 2.5 K, no 32 in it
