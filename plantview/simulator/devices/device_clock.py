"""The clock of a controller: plant time in local words, and wrong if somebody set it wrong."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from bacpypes3.basetypes import DateTime
from bacpypes3.primitivedata import Date, Time

from plantview.clock import Clock


class DeviceClock:
    """Local date and time as the controller knows them."""

    def __init__(self, clock: Clock, zone: str) -> None:
        self._clock = clock
        self._zone = ZoneInfo(zone)
        self.wrong_by_s = 0.0
        """How far it is ahead of the true time."""

    def monotonic_s(self) -> float:
        """Return plant seconds for delays; a wrong clock does not change how long a second is."""
        return self._clock.monotonic_s()

    def local(self) -> dt.datetime:
        """Return local time without zone, to the hundredth of a second that the protocol carries."""
        local = self._aware().replace(tzinfo=None)
        return local.replace(microsecond=local.microsecond // 10_000 * 10_000)

    def utc_offset_min(self) -> int:
        """Return minutes from local standard time to UTC: positive west of Greenwich (clause 12.11)."""
        aware = self._aware()
        standard = (aware.utcoffset() or dt.timedelta()) - (aware.dst() or dt.timedelta())
        return -round(standard.total_seconds() / 60)

    def daylight_saving(self) -> bool:
        """Return whether daylight saving time is in force."""
        return bool(self._aware().dst())

    def _aware(self) -> dt.datetime:
        seconds = self._clock.now_ms() / 1_000 + self.wrong_by_s
        return dt.datetime.fromtimestamp(seconds, self._zone)


def date_octets(at: dt.datetime) -> tuple[int, int, int, int]:
    """Return year since 1900, month, day and day of the week (Monday is 1), clause 20.2.12."""
    return at.year - 1900, at.month, at.day, at.isoweekday()


def time_octets(at: dt.datetime) -> tuple[int, int, int, int]:
    """Return hour, minute, second and hundredths, clause 20.2.13."""
    return at.hour, at.minute, at.second, at.microsecond // 10_000


def bacnet_date_time(at: dt.datetime) -> DateTime:
    """Return a local time as the protocol's date and time."""
    return DateTime(date=Date(date_octets(at)), time=Time(time_octets(at)))


def python_date_time(stamp: DateTime) -> dt.datetime:
    """Return a protocol date and time; ValueError where a part is unspecified or does not exist."""
    year, month, day, _ = stamp.date
    hour, minute, second, hundredth = stamp.time
    return dt.datetime(year + 1900, month, day, hour, minute, second, hundredth * 10_000)  # noqa: DTZ001 - the device's local time bears no zone
