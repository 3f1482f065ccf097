"""After an outage: what the device's own trend logs hold for it, page by page, beside the polling."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

from plantview.drivers import bacnet_slow as slow
from plantview.drivers.bacnet_codec import Answer
from plantview.drivers.bacnet_reader import NO_RELIABILITY, BacnetReader
from plantview.errors import DeviceRefused, ReplyUnusable
from plantview.model.point import BacnetAddress, Point
from plantview.model.reading import Reading
from plantview.polling.device_clock import local_ms, utc_ms
from plantview.polling.outcome import bacnet_reading
from plantview.polling.outlets import Backfilled

PAGE_RECORDS: Final = 50
"""Fits 1476 octets with room: a record of a Real takes about 20."""
PAGES_MAX: Final = 400
"""Of one trend log: two weeks of minutes. What lies beyond is left out and said."""


@dataclass
class _Job:
    """One trend log that is being read."""

    point: Point
    trend_log: int
    from_ms: int
    to_ms: int
    next_sequence: int | None = None
    pages: int = 0
    found: dict[int, Reading] = field(default_factory=dict)
    """By time: a record that two pages hold counts once."""


class Gaps:
    """The outages of one device that are still to be filled."""

    def __init__(self, device: str, zone: str) -> None:
        self._device, self._zone = device, zone
        self._jobs: deque[_Job] = deque()
        self.filled = 0
        """Readings that were handed on."""
        self.trouble = ""

    def open(self, points: tuple[Point, ...], from_ms: int, to_ms: int) -> None:
        """Note an outage; one that is still being read is read to its own end first."""
        for point in points:
            if isinstance(point.address, BacnetAddress) and point.address.trend_log is not None:
                self._jobs.append(_Job(point, point.address.trend_log, from_ms, to_ms))

    @property
    def waiting(self) -> bool:
        """Tell whether anything is still to be read."""
        return bool(self._jobs)

    async def page(self, reader: BacnetReader, clock_offset_ms: int) -> Backfilled | None:
        """Read one page; return the readings once a trend log is read to the end of the outage."""
        job = self._jobs[0]
        try:
            page = await reader.log_page(self._request(job, clock_offset_ms))
        except (DeviceRefused, ReplyUnusable) as error:
            self.trouble = f"trend-log,{job.trend_log}: {error.detail}"
            self._jobs.popleft()
            return None
        if not self._take(job, page, clock_offset_ms):
            return None
        self._jobs.popleft()
        readings = tuple(job.found[at_ms] for at_ms in sorted(job.found))
        self.filled += len(readings)
        return (
            Backfilled(job.point.name, f"trend-log,{job.trend_log} of {self._device}", readings) if readings else None
        )

    def _request(self, job: _Job, clock_offset_ms: int) -> bytes:
        if job.next_sequence is None:
            return slow.encode_since(job.trend_log, local_ms(job.from_ms + clock_offset_ms, self._zone), PAGE_RECORDS)
        return slow.encode_page(job.trend_log, job.next_sequence, PAGE_RECORDS)

    def _take(self, job: _Job, page: slow.LogPage, clock_offset_ms: int) -> bool:
        """Keep what belongs to the outage; return whether that was all of it."""
        latest_ms = job.from_ms
        for sample in page.samples:
            at_ms = utc_ms(sample.local_ms, self._zone, job.from_ms) - clock_offset_ms
            latest_ms = max(latest_ms, at_ms)
            if job.from_ms < at_ms < job.to_ms:
                answer = Answer(sample.value, sample.flags)
                job.found[at_ms] = bacnet_reading(job.point, answer, NO_RELIABILITY, at_ms)
        job.pages += 1
        job.next_sequence = page.first + page.items
        if job.pages >= PAGES_MAX:
            self.trouble = (
                f"trend-log,{job.trend_log}: more than {PAGES_MAX * PAGE_RECORDS} records, the rest is left out"
            )
        done = page.last or not page.items or not page.first or latest_ms >= job.to_ms
        return done or job.pages >= PAGES_MAX
