"""One path to devices, used by one request at a time: a BACnet device, or a gateway with its units.

Whatever is due first goes first. A silent device is left alone but for one cheap probe
per step of its back-off, so that a dead unit does not starve the others behind its gateway.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from plantview.clock import Clock
from plantview.errors import DeviceUnreachable, DriverError
from plantview.polling.budget import Recent
from plantview.polling.health import ANSWERING
from plantview.polling.pace import Turn, first_due_s, probe_cap_s, probe_delay_s
from plantview.polling.station import FAST, Station

_LOG: Final = logging.getLogger(__name__)
INTERNAL: Final = "plantview failed to poll this point: see its log"


@dataclass
class Job:
    """The points of one station that share a period."""

    station: Station
    turn: Turn
    asks: float = 0.0
    """Which period's points its station is told to poll; 0 for those of ``turn``."""
    dropped: bool = False

    @property
    def due_s(self) -> float:
        """Return when it is next to be looked at: its turn, or the probe of a silent device."""
        return self.station.probe_due_s if self.station.silent else self.turn.due_s


class Line:
    """The stations of one path and their turns; ``place`` of ``of`` spreads the lines over a period."""

    def __init__(self, stations: Sequence[Station], clock: Clock, places: range, of: int) -> None:
        self._stations, self._clock = tuple(stations), clock
        now_s = clock.monotonic_s()
        self._busy = Recent(clock.monotonic_s)
        self._jobs = [
            Job(station, Turn(period_s, first_due_s(now_s, period_s, place, of)))
            for place, station in zip(places, stations, strict=True)
            for period_s in station.classes()
        ]

    @property
    def stations(self) -> tuple[Station, ...]:
        """Return the stations that share this path."""
        return self._stations

    def busy(self) -> float:
        """Return the part of the last minute in which the path was busy."""
        return self._busy.per_second()

    def quicken(self, station: Station, period_s: float) -> None:
        """Poll a station's fast group at a period from its next turn on; 0 ends it."""
        for job in self._jobs:
            job.dropped = job.dropped or (job.station is station and job.asks == FAST)
        self._jobs = [job for job in self._jobs if not job.dropped]
        if period_s:
            self._jobs.append(Job(station, Turn(period_s, self._clock.monotonic_s()), FAST))

    async def run(self) -> None:
        """Poll until cancelled."""
        while self._jobs:
            job = min(self._jobs, key=lambda one: one.due_s)
            wait_s = job.due_s - self._clock.monotonic_s()
            if wait_s > 0:
                await self._clock.sleep(wait_s)
            if not job.dropped:
                await self._take(job)

    async def _take(self, job: Job) -> None:
        """Probe or poll once: the border where a failure becomes readings and never ends the line."""
        station, started_s = job.station, self._clock.monotonic_s()
        try:
            if station.silent:
                await station.probe()
                self._is_back(station)
            else:
                await station.poll(job.asks or job.turn.period_s)
                self._finish(job, started_s)
        except DriverError as error:
            station.health.failed(error)
            self._fell_silent(station, error, started_s)
        except Exception:  # noqa: BLE001 - one faulty station must not end its line
            _LOG.exception("polling %s failed", station.device.id)
            station.emit_bad(station.points, INTERNAL)
            station.silent = False
            job.turn.done(self._clock.monotonic_s())
        finally:
            spent_s = self._clock.monotonic_s() - started_s
            self._busy.add(spent_s)
            station.health.busy.add(spent_s)

    def _finish(self, job: Job, started_s: float) -> None:
        now_s, station = self._clock.monotonic_s(), job.station
        station.failures, station.health.state = 0, ANSWERING
        station.health.cycle_ms = round((now_s - started_s) * 1_000)
        station.health.skipped += job.turn.done(now_s)

    def _fell_silent(self, station: Station, error: DriverError, started_s: float) -> None:
        """Set the next probe; with the whole path gone, all its stations share one probe."""
        station.failures += 1
        now_s = self._clock.monotonic_s()
        due_s = max(now_s, started_s + self._delay_s(station, now_s - started_s))
        for one in self._stations if isinstance(error, DeviceUnreachable) else (station,):
            one.fall_silent(due_s, error.detail)

    def _delay_s(self, station: Station, cost_s: float) -> float:
        """Return plant seconds to the next probe; back-off counts in real seconds, since networks do."""
        speed = self._clock.speed
        others = [min(one.classes()) / speed for one in self._stations if one is not station and not one.silent]
        silent = len(self._stations) - len(others)
        cap_s = probe_cap_s(min(station.classes()) / speed, cost_s / speed, silent, min(others, default=None))
        return probe_delay_s(station.failures, cap_s) * speed

    def _is_back(self, station: Station) -> None:
        """Poll a station that answered its probe at once, and give those that shared its silence their probe."""
        now_s = self._clock.monotonic_s()
        station.silent = False
        for job in self._jobs:
            if job.station is station:
                job.turn.due_s = now_s
            elif job.station.silent:
                job.station.probe_due_s = min(job.station.probe_due_s, now_s)
