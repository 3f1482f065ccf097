"""Is everything ready to watch this plant? Every device and every point is asked once, as it would be polled.

It uses the polling itself, so what passes here passes there. Subscriptions are left out: nothing is asked
of a device but reads.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from plantview.clock import Clock
from plantview.errors import StartRefused
from plantview.model.plant import Adapter, Plant
from plantview.model.point import BacnetAddress
from plantview.model.reading import Batch, Reading
from plantview.polling import Polling
from plantview.surveying.adapters import FREE, UDP, Interface, check, holder, interfaces

PATIENCE_MAX_S: Final = 150.0
CLOCK_GRACE_S: Final = 3.0
"""Device clocks are read after the values; so long they are waited for."""
Told = Callable[[str, int, int], None]


@dataclass(slots=True)
class Outcome:
    """What came of asking for everything once."""

    readings: dict[str, Reading] = field(default_factory=dict)
    silent: dict[str, str] = field(default_factory=dict)
    """Point -> why there was no answer."""
    health: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    """Device -> its record."""
    not_asked: dict[str, str] = field(default_factory=dict)
    """Device -> why it was not asked at all."""


def adapter_trouble(plant: Plant) -> dict[Adapter, dict[str, str]]:
    """Return what stands in the way of BACnet on this computer by adapter: its address, mask, port."""
    here = interfaces() if plant.adapters_used() else ()
    found = {adapter: _trouble(here, adapter) for adapter in plant.adapters_used()}
    return {adapter: trouble for adapter, trouble in found.items() if trouble}


def _trouble(here: Sequence[Interface], adapter: Adapter) -> dict[str, str]:
    if wrong := check(here, adapter.address):
        return {"adapter": wrong}
    if (held := holder(UDP, adapter.host, adapter.port)) == FREE:
        return {}
    why = (
        f"{held} -> stop it, or choose another port under [bacnet] in plant.toml; if it is plantview itself,"
        " the plant is being watched already"
    )
    return {"port": why}


async def ask_once(plant: Plant, clock: Clock, told: Told) -> Outcome:
    """Poll until every point has had its turn; StartRefused if the BACnet port was taken meanwhile."""
    outcome = Outcome()
    asked = without_subscriptions(plant)
    changed = asyncio.Event()

    def take(batch: Batch) -> None:
        outcome.readings.update(batch.readings)
        outcome.silent.update(batch.silent)
        for name in batch.readings:
            outcome.silent.pop(name, None)
        changed.set()

    polling = Polling(asked, clock, take)
    running = asyncio.create_task(polling.run())
    try:
        await _until_all_had_a_turn(asked, outcome, changed, running, told)
        await _until_clocks_are_read(polling, running)
        outcome.health = {row["id"]: row for row in polling.health()}
    finally:
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.gather(running, return_exceptions=True)
    _unanswered(asked, outcome)
    return outcome


def without_subscriptions(plant: Plant) -> Plant:
    """Return the plant with every point read by polling alone."""
    points = {
        name: replace(point, address=replace(point.address, cov=False))
        if isinstance(point.address, BacnetAddress)
        else point
        for name, point in plant.points.items()
    }
    return replace(plant, points=points)


def patience_s(plant: Plant) -> float:
    """Return how long it may take until every point had its turn: the longest period, and the silences in a row."""
    longest = max((point.period_s for point in plant.points.values()), default=0.0)
    silences = sum(2 * device.timeout_s for device in plant.devices.values())
    return min(longest + silences + 5.0, PATIENCE_MAX_S)


async def _until_all_had_a_turn(
    plant: Plant, outcome: Outcome, changed: asyncio.Event, running: asyncio.Task[None], told: Told
) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(patience_s(plant)):
            while (had := len(outcome.readings.keys() | outcome.silent.keys())) < len(plant.points):
                told("reading every point once", had, len(plant.points))
                changed.clear()
                await _either(changed, running)
    told("reading every point once", len(plant.points), len(plant.points))


async def _either(changed: asyncio.Event, running: asyncio.Task[None]) -> None:
    """Wait for the next batch; if polling ended instead, raise why."""
    waiting = asyncio.create_task(changed.wait())
    try:
        await asyncio.wait({waiting, running}, return_when=asyncio.FIRST_COMPLETED)
        if running.done():
            _why_ended(running)
    finally:
        waiting.cancel()


def _why_ended(running: asyncio.Task[None]) -> None:
    error = running.exception()
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    raise error or StartRefused("polling ended by itself")


async def _until_clocks_are_read(polling: Polling, running: asyncio.Task[None]) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(CLOCK_GRACE_S):
            while not running.done() and any(_clock_awaited(row) for row in polling.health()):  # noqa: ASYNC110 - it offers no event
                await asyncio.sleep(0.05)


def _clock_awaited(row: Mapping[str, Any]) -> bool:
    answering = row["protocol"] == "bacnet" and row["state"] == "answering"
    return answering and row.get("clock_offset_s") is None and "cycle_ms" in row and row["cycle_ms"] is None


def _unanswered(plant: Plant, outcome: Outcome) -> None:
    for name in plant.points:
        if name not in outcome.readings:
            outcome.silent.setdefault(name, "it had no turn in time")
