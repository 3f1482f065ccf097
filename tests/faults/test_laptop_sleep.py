"""A laptop that slept for ten minutes beside the machine: the wall clock went on, this program did not.

On Linux the monotonic clock stands still while a computer sleeps; a stopped process sees both go on. Both are tried.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import numpy as np
import pytest

from plantview.clock import ManualClock
from plantview.history.recent import Recent
from plantview.model.reading import Batch, good
from plantview.model.signal import signal_of
from plantview.startup import Changes
from plantview.web.trends_grid import GAP, columns, rows_of_samples
from tests.faults.test_polling_fast import Counted, device, line_of
from tests.unit.alarm_rig import HandClock, Rig, row, small_plant

SLEPT_S = 600.0
RESUMED_S = 30.0
TEMPERATURE = "CH-1.chws_temp"

Sleep = Callable[[HandClock], None]


def as_linux_does(clock: HandClock) -> None:
    clock.step(SLEPT_S)


def as_a_stopped_process_does(clock: HandClock) -> None:
    clock.go_to(clock.monotonic_s() + SLEPT_S)


class Laptop:
    """History and alarms as the field process has them, polled once a second."""

    def __init__(self) -> None:
        self.clock = HandClock()
        self.rig = Rig(row(off_delay_s=20), row("LOST", limit="60 degF"), clock=self.clock)
        plant = small_plant()
        self.signals = {name: signal_of(point) for name, point in plant.points.items()}
        self.recent, self.changes = Recent(self.signals, self.clock), Changes(plant)
        self.began_ms = self.clock.now_ms()

    def run(self, seconds: int, temperature: float | None) -> None:
        """Let seconds pass, with answers of the device or, for None, without."""
        for _ in range(seconds):
            self.clock.go_to(self.clock.monotonic_s() + 1)
            now_ms = self.clock.now_ms()
            if temperature is not None:
                batch = Batch(now_ms, {TEMPERATURE: good(temperature, now_ms), "CH-1.status": good(1.0, now_ms)})
                self.recent.take(batch)
                self.changes.take(batch)
            frame = self.recent.frame()
            self.rig.entries += self.rig.engine.evaluate(frame, {})


@pytest.mark.parametrize("sleep", [as_linux_does, as_a_stopped_process_does])
def test_an_alarm_that_stood_stands_on_and_nothing_returned_or_came_because_nobody_looked(sleep: Sleep) -> None:
    laptop = Laptop()
    laptop.run(5, 55.0)
    laptop.rig.engine.acknowledge("HI", "AB", "")
    sleep(laptop.clock)
    laptop.run(10, None)  # the connections have to be made anew; what is known is ten minutes old
    laptop.run(60, 55.0)
    assert laptop.rig.kinds("HI") == ["ANN", "ACK"], "no return, no second call"
    assert laptop.rig.state("HI") == "ACKED"
    assert laptop.rig.kinds("LOST") == []


@pytest.mark.parametrize("sleep", [as_linux_does, as_a_stopped_process_does])
def test_what_returned_meanwhile_returns_only_after_it_was_seen_for_its_delay(sleep: Sleep) -> None:
    laptop = Laptop()
    laptop.run(5, 55.0)
    laptop.rig.engine.acknowledge("HI", "AB", "")
    sleep(laptop.clock)
    laptop.run(10, None)
    seen_ms = laptop.clock.now_ms() + 1_000
    laptop.run(40, 45.0)
    (returned,) = [line for line in laptop.rig.lines() if line["kind"] == "RTN"]
    assert returned["at_ms"] - seen_ms >= 20_000


def test_the_time_asleep_is_drawn_as_a_gap_and_a_change_within_it_is_that_uncertain() -> None:
    laptop = Laptop()
    laptop.run(60, 55.0)
    as_linux_does(laptop.clock)
    laptop.run(60, 50.0)
    end_ms = laptop.clock.now_ms()
    samples = laptop.recent.range(TEMPERATURE, laptop.began_ms, end_ms + 1)
    drawn = columns(rows_of_samples(samples, 1.0, end_ms), laptop.began_ms, end_ms, 72, state=False)
    asleep = slice(8, 64)  # 10 s a column: the minute before, ten minutes, the minute after
    assert (drawn.quality[asleep] == GAP).all()
    assert np.isnan(drawn.mid[asleep]).all()
    assert not np.isnan(drawn.mid[[0, 1, 2, 3, 4, -2, -3, -4]]).any()
    now_ms = laptop.clock.now_ms()
    stopped = Batch(now_ms + 1_000, {"CH-1.status": good(0.0, now_ms + 1_000)})
    assert laptop.changes.take(stopped)[0][0].early_ms == 1_000
    as_linux_does(laptop.clock)
    woke_ms = laptop.clock.now_ms()
    (event,), _ = laptop.changes.take(Batch(woke_ms, {"CH-1.status": good(1.0, woke_ms)}))
    assert event.early_ms >= SLEPT_S * 1_000 - 1_000, "it may have been any time while nobody looked"


@pytest.mark.parametrize("stopped", [False, True], ids=["as Linux sleeps", "as a process is stopped"])
async def test_polling_goes_on_within_a_period_and_does_not_catch_up_what_it_slept_through(stopped: bool) -> None:
    clock = ManualClock()
    one = Counted(device("A"), clock)
    running = asyncio.create_task(line_of(clock, [one]).run())
    await clock.advance(11)
    if stopped:
        clock._move(clock.monotonic_s() + SLEPT_S)
    else:
        clock.step(SLEPT_S)
    woke_s = clock.monotonic_s()
    await clock.advance(20)
    after = [at - woke_s for at, _ in one.asked if at >= woke_s]
    assert 0 <= after[0] <= 5.0 < RESUMED_S
    assert len(after) in {4, 5}, "once per period of 5 s, nothing twice"
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
