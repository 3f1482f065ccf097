"""The day before a demonstration: made aside, stored only, and never in the way."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from plantview.clock import ManualClock
from plantview.config.bundled import bundled_plants
from plantview.config.order import Order
from plantview.derive import Derivation
from plantview.history import NOT_READ, Store
from plantview.history.samples import Samples
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Frame, bad, good
from plantview.model.signal import signal_of
from plantview.service import past_day
from plantview.service.past import MARK, Rows, rows_of
from plantview.service.past_day import give_past, offer_past
from plantview.simulator.history import past_of
from plantview.simulator.plant import SimulatedPlant
from plantview.simulator.sensors import COUNTERS
from tests.simulation.plant_days import MORNING_MS


@pytest.fixture(scope="module")
def rows(orchard: Plant) -> Rows:
    return rows_of(orchard, MORNING_MS, 0.25)


class Shelf:
    """A history that keeps what it is given."""

    def __init__(self, known: int = 0, *, read: bool = True) -> None:
        self.kept: dict[str, Samples] = {}
        self.looked = asyncio.Event()
        self._known, self._read = known, read

    def frame(self) -> Frame:
        self.looked.set()
        return Frame(1, MORNING_MS, {"CH-1.power": good(80.0, MORNING_MS) if self._read else bad(NOT_READ, 0)})

    def range(self, name: str, from_ms: int, to_ms: int) -> Samples:
        if not self._known:
            return Samples.none()
        return Samples(np.array([from_ms]), np.array([1.0]), np.array([0], np.uint8), ("",))

    def backfill(self, samples: Mapping[str, Samples]) -> None:
        self.kept |= samples


def order(hours: float) -> Order:
    return Order("field", str(bundled_plants()["orchard"]), "unused", past_h=hours)


def test_the_past_ends_where_the_present_begins_and_no_meter_jumps(orchard: Plant) -> None:
    past = past_of(orchard, MORNING_MS, 1.0, 60.0)
    begins = SimulatedPlant(orchard, MORNING_MS).reported()
    assert len(past.at_ms) == 60
    assert past.at_ms[-1] == MORNING_MS - 30_000
    counters = [name for name in begins if orchard.points[name].measurement in COUNTERS]
    assert len(counters) >= 3
    for name in counters:
        assert past.values[name] == sorted(past.values[name])
        assert past.values[name][-1] == pytest.approx(begins[name], abs=1.0)


def test_every_signal_has_a_row_points_and_derived_and_each_sample_says_what_it_is(rows: Rows, orchard: Plant) -> None:
    assert set(rows.names) == {*orchard.points, *Derivation(orchard).signals}
    efficiency = rows.samples(rows.names.index("PLANT.kw_per_ton"))
    assert np.all(efficiency.quality <= Quality.UNCERTAIN)
    assert np.all((efficiency.values > 0.4) & (efficiency.values < 1.2))
    assert all(reason.endswith(MARK) for reason in efficiency.reasons)


def test_what_is_handed_over_arrives_as_it_was(rows: Rows) -> None:
    again = Rows.unpacked(rows.packed())
    assert (again.names, again.reasons) == (rows.names, rows.reasons)
    assert np.array_equal(again.values, rows.values, equal_nan=True)
    assert np.array_equal(again.quality, rows.quality)


def test_in_history_it_is_stored_and_never_the_present(rows: Rows, orchard: Plant, tmp_path: Path) -> None:
    clock = ManualClock(MORNING_MS)
    signals = {point.name: signal_of(point) for point in orchard.points.values()} | dict(Derivation(orchard).signals)
    store = Store(tmp_path, signals, clock)
    store.start()
    name = "CH-1.chws_temp"
    store.backfill({name: rows.samples(rows.names.index(name))})
    assert store.range(name, 0, MORNING_MS).at_ms.size == 15
    assert store.frame().readings[name].value is None
    assert store.recent(name, 0, MORNING_MS + 1).at_ms.size == 0
    store.close()


async def test_a_folder_that_knows_the_day_is_left_alone() -> None:
    shelf = Shelf(known=1)
    assert await give_past(order(24.0), shelf, MORNING_MS, ["CH-1.power"], asyncio.Event()) == 0
    assert shelf.kept == {}


async def test_a_stop_comes_before_the_past(monkeypatch: pytest.MonkeyPatch) -> None:
    stop, shelf = asyncio.Event(), Shelf(read=False)
    monkeypatch.setattr(past_day, "LOOK_REAL_S", 600.0)
    waiting = asyncio.create_task(give_past(order(24.0), shelf, MORNING_MS, ["CH-1.power"], stop))
    await shelf.looked.wait()  # nothing was read yet: it waits for the plant
    stop.set()
    assert await waiting == 0
    assert await give_past(order(0.0), Shelf(), MORNING_MS, ["CH-1.power"], asyncio.Event()) == 0


async def test_a_process_that_fails_leaves_history_as_it_is_and_the_plant_alone(
    caplog: pytest.LogCaptureFixture,
) -> None:
    shelf = Shelf()
    with caplog.at_level("WARNING"):
        gone = Order("field", "/nowhere/at/all", "unused", past_h=1.0)
        await offer_past(gone, shelf, MORNING_MS, ["CH-1.power"], asyncio.Event())
    assert shelf.kept == {}
    assert "trends begin now" in caplog.text


@pytest.mark.timeout(60)
async def test_the_other_process_makes_an_hour_and_it_is_kept_signal_by_signal() -> None:
    shelf = Shelf()
    filled = await give_past(order(0.25), shelf, MORNING_MS, ["CH-1.power"], asyncio.Event())
    assert filled == len(shelf.kept) > 100
    assert {samples.at_ms.size for samples in shelf.kept.values()} == {15}
    assert shelf.kept["CH-1.power"].values.max() > 50
    assert "plantview.service.past" in sys.modules
