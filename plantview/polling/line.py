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
LOOK_REAL_S: Final = 1.0
"""Between two looks at what is due: a fast group begins within it, however slow the usual polling."""
INTERNAL: Final = "plantview failed to poll this point: see its log"


@dataclass
class Job:
    """The points of one station that share a period."""

    station: Station
    turn: Turn
    asks: float = 0.0
    """Which period's points its station is told to poll; 0 for those of ``turn``."""

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
        self._hurrying = False
        self._given_s = 0.0
        """What the fast group took of the cycle that goes on."""
        for station in self._stations:
            station.give_way = self._give_way
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
        self._jobs = [job for job in self._jobs if job.station is not station or job.asks != FAST]
        if period_s:
            self._jobs.append(Job(station, Turn(period_s, self._clock.monotonic_s()), FAST))

    async def run(self) -> None:
        """Poll until cancelled."""
        while self._jobs:
            job = min(self._jobs, key=lambda one: one.due_s)
            wait_s = job.due_s - self._clock.monotonic_s()
            if wait_s > 0:
                await self._clock.sleep(min(wait_s, LOOK_REAL_S * self._clock.speed))
            else:
                await self._take(job)

    async def _give_way(self) -> None:
        """Take what is due of the fast group between two requests of a cycle: others may be late, never the reverse."""
        if self._hurrying:
            return
        started_s = self._clock.monotonic_s()
        due = [job for job in self._jobs if job.asks == FAST and not job.station.silent and job.due_s <= started_s]
        if not due:
            return
        for job in due:
            self._given_s += await self._take(job)
        self._hurrying = False

    async def _take(self, job: Job) -> float:
        """Probe or poll once: the border where a failure becomes readings and never ends the line.

        Return how long the path was busy with it: without what was given to others, or waited for a budget.
        """
        station, started_s, waited_s = job.station, self._clock.monotonic_s(), self._waited_s()
        self._hurrying = job.asks == FAST
        if not self._hurrying:
            self._given_s = 0.0
        try:
            if station.silent:
                await station.probe()
                self._is_back(station)
            else:
                await station.poll(job.asks or job.turn.period_s)
                if not station.silent:
                    self._finish(job, self._spent_s(job, started_s, waited_s))
        except DriverError as error:
            station.health.failed(error)
            self._fell_silent(station, error, started_s)
        except Exception:  # noqa: BLE001 - one faulty station must not end its line
            _LOG.exception("polling %s failed", station.device.id)
            station.emit_bad(station.points, INTERNAL)
            station.silent = False
            job.turn.done(self._clock.monotonic_s())
        spent_s = self._spent_s(job, started_s, waited_s)
        self._busy.add(spent_s)
        station.health.busy.add(spent_s)
        return spent_s

    def _waited_s(self) -> float:
        return sum(station.waited_s for station in self._stations)

    def _spent_s(self, job: Job, started_s: float, waited_s: float) -> float:
        given_s = 0.0 if job.asks == FAST else self._given_s
        return self._clock.monotonic_s() - started_s - given_s - (self._waited_s() - waited_s)

    def _finish(self, job: Job, spent_s: float) -> None:
        station = job.station
        station.failures, station.health.state = 0, ANSWERING
        station.health.cycle_ms = round(spent_s * 1_000)
        station.health.skipped += job.turn.done(self._clock.monotonic_s())

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
