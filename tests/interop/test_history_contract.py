"""What every history promises, asked of the one in the data folder and of the one in PostgreSQL.

What is taken comes back: from memory, after a restart, sealed, reduced, and without a plant description.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from plantview import units
from plantview.history import Described, Samples
from plantview.history.chunks import DAY_MS, HOUR_MS
from plantview.history.postgresql import PASSWORD, Place
from plantview.model.quality import Quality
from plantview.model.reading import Batch, Reading, bad, good
from plantview.model.signal import Signal
from tests import postgres
from tests.history_plant import FOREVER, NAME, Plant, same
from tests.history_rig import START_MS, mixed, recorded, signal

Build = Callable[[dict[str, Signal]], Plant]
numbers = itertools.count()


@pytest.fixture(scope="module", params=["data folder", "PostgreSQL"])
def server(request: pytest.FixtureRequest) -> Iterator[postgres.Server | None]:
    if request.param == "data folder":
        yield None
        return
    with postgres.private_server() as running:
        yield running


@pytest.fixture
def build(server: postgres.Server | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Build]:
    built: list[Plant] = []
    if server is not None:
        monkeypatch.setenv(PASSWORD, postgres.PASSWORD)

    def one(signals: dict[str, Signal]) -> Plant:
        place = None if server is None else Place.of(server.url, f"Plant {next(numbers)}")
        built.append(Plant(tmp_path, signals, place=place))
        return built[-1]

    yield one
    for plant in built:
        plant.store.keeper.sealer.close()
        if plant.store.keeper.forwarder is not None:
            plant.store.keeper.forwarder.close()


@pytest.fixture
def small(build: Build) -> Plant:
    return build({NAME: signal(NAME)})


def test_every_sample_comes_back_as_reported_before_and_after_sealing(build: Build) -> None:
    plant = build(mixed(40))
    plant.run(START_MS, START_MS + HOUR_MS + 600_000)
    expected = recorded(plant.signals, START_MS, START_MS + HOUR_MS + 600_000)
    archive = plant.archive()
    for act in (lambda: None, plant.store.seal, lambda: plant.store.seal(everything=True)):
        act()
        found = archive.ranges(list(plant.signals), 0, FOREVER)
        assert [name for name in expected if not same(found[name], expected[name])] == []
        assert archive.trouble == []
    assert plant.store.stats()["unsealed_commits"] == 0
    assert archive.names() == sorted(plant.signals)


def test_quality_and_reason_are_kept(small: Plant) -> None:
    given = [
        good(7.2, START_MS),
        Reading(7.3, Quality.UNCERTAIN, "in hand at the device", START_MS + 5_000),
        bad("sensor open", START_MS + 10_000),
        bad("", START_MS + 15_000),
    ]
    small.take(*given)
    small.store.seal(everything=True)
    found = small.archive().range(NAME, 0, FOREVER)
    assert found.reasons == ("", "in hand at the device", "sensor open", "")
    assert found.quality.tolist() == [0, 1, 3, 3]
    assert found.values[:2].tolist() == [7.2, 7.3]
    assert np.isnan(found.values[2:]).all()


def test_a_day_gathered_with_summaries_gives_the_same_samples_and_the_same_buckets(build: Build) -> None:
    plant = build(mixed(20, period_s=60))
    plant.run(START_MS, START_MS + DAY_MS + HOUR_MS)
    names, archive = list(plant.signals), plant.archive()
    plant.store.keeper.sealer.seal(plant.store.keeper.live)  # type: ignore[arg-type]
    before = archive.reduced_all(names, START_MS, START_MS + DAY_MS, 200, resolution="5 min")
    raw = archive.ranges(names, 0, FOREVER)
    assert plant.store.seal().counts["days"] == 1
    after = archive.reduced_all(names, START_MS, START_MS + DAY_MS, 200, resolution="5 min")
    assert plant.spans() == {DAY_MS: 1, HOUR_MS: 1}
    for name in names:
        assert same(archive.range(name, 0, FOREVER), raw[name]), name
        for part in ("start_ms", "min", "max", "first", "last", "count", "worst_quality", "resets"):
            np.testing.assert_array_equal(getattr(after[name], part), getattr(before[name], part), f"{name} {part}")
        np.testing.assert_allclose(after[name].mean, before[name].mean, atol=0.0051)


def test_a_sample_that_comes_late_or_twice_is_merged_and_the_later_one_counts(small: Plant) -> None:
    small.take(good(7.0, START_MS), good(7.1, START_MS + 5_000), good(7.2, START_MS + 10_000))
    small.store.seal(everything=True)
    small.at(START_MS + 2 * DAY_MS)
    small.store.seal()
    at_ms = np.array([START_MS + 7_000, START_MS + 5_000, START_MS - 40 * DAY_MS], np.int64)
    late = Samples(at_ms, np.array([8.0, 9.0, 6.0]), np.zeros(3, np.uint8), ("", "read by hand", ""))
    assert small.store.backfill({NAME: late}).counts == {"taken": 3, "refused": 0}
    found = small.archive().range(NAME, 0, FOREVER)
    assert found.at_ms.tolist() == [at_ms[2], START_MS, START_MS + 5_000, START_MS + 7_000, START_MS + 10_000]
    assert found.values.tolist() == [6.0, 7.0, 9.0, 8.0, 7.2]
    assert found.reasons[2] == "read by hand"


def test_a_summary_follows_what_is_merged_into_its_day(small: Plant) -> None:
    small.take(*(good(7.0, START_MS + 60_000 * minute) for minute in range(60)))
    small.at(START_MS + 2 * DAY_MS)
    small.store.seal()
    late = Samples(np.array([START_MS + 1], np.int64), np.array([99.0]), np.zeros(1, np.uint8), ("",))
    small.store.backfill({NAME: late})
    archive = small.archive()
    for _ in range(2):  # before the day is summed up again, and after
        buckets = archive.reduced(NAME, START_MS, START_MS + DAY_MS, 24, resolution="1 h")
        assert (buckets.max[0], buckets.count.sum()) == (99.0, 61)
        small.store.seal()


def test_a_number_that_is_none_is_never_stored_as_one(small: Plant) -> None:
    given = Samples(
        START_MS + np.arange(3, dtype=np.int64), np.array([np.inf, np.nan, 7.0]), np.zeros(3, np.uint8), ("", "", "")
    )
    small.at(START_MS + HOUR_MS)
    small.store.backfill({NAME: given})
    assert small.archive().range(NAME, 0, FOREVER).quality.tolist() == [3, 3, 0]


def test_samples_of_no_point_of_the_plant_are_refused_by_name(small: Plant) -> None:
    given = Samples(np.array([START_MS], np.int64), np.array([1.0]), np.zeros(1, np.uint8), ("",))
    report = small.store.backfill({"CH-9.chws_temp": given})
    assert report.counts == {"taken": 0, "refused": 1}
    assert "CH-9.chws_temp" in report.problems[0]
    assert not report.ok


def test_an_archive_describes_itself(build: Build) -> None:
    pump = signal("P-1.status", "state", "state", states={0: "OFF", 1: "RUN"})
    plant = build({"P-1.status": pump})
    plant.take(good(1.0, START_MS), name="P-1.status")
    plant.store.seal(everything=True)
    found = plant.archive().described("P-1.status")
    assert found == Described("P-1.status", "state", "state", {0: "OFF", 1: "RUN"}, "P-1.status", 5.0, derived=False)
    assert plant.archive().described("P-2.status") is None


def test_a_changed_unit_is_converted_when_read_and_kept_as_reported(small: Plant) -> None:
    small.take(good(10.0, START_MS))
    small.store.seal(everything=True)
    small.again({NAME: replace(small.signals[NAME], unit=units.unit("degF", "temperature"))})
    small.take(good(50.9, START_MS + 5_000))
    for _ in range(2):  # from the live file, and from the month file
        found = small.archive().range(NAME, 0, FOREVER)
        assert found.values.tolist() == pytest.approx([50.0, 50.9])
        small.store.seal(everything=True)
    described = small.archive().described(NAME)
    assert described is not None
    assert described.unit == "degF"


def test_a_name_that_means_another_quantity_today_shows_no_old_numbers(small: Plant) -> None:
    small.take(good(10.0, START_MS))
    small.store.seal(everything=True)
    small.again({NAME: signal(NAME, "flow", "L/s")})
    small.take(good(120.0, START_MS + 5_000))
    small.store.seal(everything=True)
    found = small.archive().range(NAME, 0, FOREVER)
    assert found.quality.tolist() == [3, 0]
    assert found.reasons[0] == "recorded as temperature in degC"
    assert found.values[1] == 120.0


def test_a_point_that_left_the_plant_keeps_its_history(small: Plant) -> None:
    small.take(good(10.0, START_MS))
    small.again({"CH-2.chws_temp": signal("CH-2.chws_temp")})
    small.store.seal(everything=True)
    assert small.archive().names() == [NAME]
    assert small.archive().range(NAME, 0, FOREVER).values.tolist() == [10.0]


def test_a_derived_value_stands_where_it_was_worked_out(build: Build) -> None:
    name = "PLANT.kw_per_ton"
    plant = build({name: signal(name, "efficiency", "kW/ton", derived=True)})
    plant.at(START_MS + 15_000)
    plant.store.take(Batch(START_MS + 15_000, {name: good(0.61, START_MS)}))
    plant.store.flush()
    assert plant.archive().range(name, 0, FOREVER).at_ms.tolist() == [START_MS + 15_000]
    assert plant.store.recent(name, 0, FOREVER).at_ms.tolist() == [START_MS + 15_000]


def test_after_a_restart_the_last_two_hours_are_in_memory_again(build: Build) -> None:
    plant = build(mixed(20, period_s=30))
    plant.run(START_MS, START_MS + 3 * HOUR_MS)
    plant.store.seal()
    plant.again()
    plant.store.recall()
    begin = plant.clock.now_ms() - 2 * HOUR_MS
    expected = recorded(plant.signals, START_MS, START_MS + 3 * HOUR_MS)
    for name, whole in expected.items():
        late = whole.at_ms >= begin
        found = plant.store.recent(name, begin, FOREVER)
        assert found.at_ms.tolist()[-230:] == whole.at_ms[late].tolist()[-230:], name
        assert found.values.tolist()[-230:] == whole.values[late].tolist()[-230:], name


def test_a_stretch_reaches_from_memory_into_month_files(build: Build) -> None:
    plant = build(mixed(20, period_s=60))
    plant.run(START_MS, START_MS + 5 * HOUR_MS)
    plant.store.seal()
    expected = recorded(plant.signals, START_MS, START_MS + 5 * HOUR_MS)
    for name in plant.signals:
        assert same(plant.store.range(name, 0, FOREVER), expected[name]), name


def test_the_first_and_the_last_time_are_known(small: Plant) -> None:
    archive = small.archive()
    assert archive.extent() is None
    small.take(good(7.0, START_MS + 4_711), good(7.0, START_MS + 3 * HOUR_MS))
    for _ in range(2):
        assert archive.extent() == (START_MS + 4_711, START_MS + 3 * HOUR_MS)
        small.store.seal(everything=True)


def test_newer_samples_may_be_given_to_a_reduced_range(small: Plant) -> None:
    small.take(*(good(7.0, START_MS + 60_000 * minute) for minute in range(60)))
    small.store.seal(everything=True)
    at_ms = START_MS + HOUR_MS + 60_000 * np.arange(60, dtype=np.int64)
    tail = Samples(at_ms, np.full(60, 9.0), np.zeros(60, np.uint8), ("",) * 60)
    for resolution in ("raw", "5 min", "1 h"):
        span = (START_MS, START_MS + 2 * HOUR_MS)
        buckets = small.archive().reduced(NAME, *span, 50, tail=tail, resolution=resolution)
        assert buckets.count.sum() == 120, resolution
        assert (buckets.first[0], buckets.last[-1]) == (7.0, 9.0)
        assert buckets.resolution == resolution


@pytest.mark.parametrize(("hours", "resolution"), [(1, "raw"), (48, "5 min"), (24 * 40, "1 h")])
def test_the_width_of_the_screen_chooses_the_resolution(small: Plant, hours: int, resolution: str) -> None:
    small.take(*(good(7.0, START_MS + 60_000 * minute) for minute in range(30)))
    small.store.seal(everything=True)
    buckets = small.archive().reduced(NAME, START_MS, START_MS + hours * HOUR_MS, 500)
    assert buckets.resolution == resolution
    assert buckets.count.sum() == 30


def test_of_months_whose_samples_are_pruned_the_summaries_answer(small: Plant) -> None:
    small.take(*(good(7.0 + minute / 10, START_MS + 60_000 * minute) for minute in range(60)))
    small.at(START_MS + 40 * DAY_MS)
    small.store.seal()
    small.take(good(5.0, START_MS + 40 * DAY_MS))
    small.store.seal(everything=True)
    assert small.store.prune(keep_days=5).counts["months"] == 1
    archive = small.archive()
    assert archive.range(NAME, START_MS, START_MS + DAY_MS).at_ms.size == 0
    buckets = archive.reduced(NAME, START_MS, START_MS + HOUR_MS, 1_000)
    assert (buckets.resolution, buckets.count.sum(), buckets.max.max()) == ("5 min", 60, 12.9)
    late = Samples(np.array([START_MS], np.int64), np.array([1.0]), np.zeros(1, np.uint8), ("",))
    report = small.store.backfill({NAME: late})
    assert report.counts == {"taken": 0, "refused": 1}
    assert "pruned" in report.problems[0]


def test_the_age_in_a_reason_is_left_out_so_that_reasons_stay_few(small: Plant) -> None:
    small.take(
        Reading(7.0, Quality.STALE, "no answer; value is 31 s old", START_MS),
        bad("needs CH-1.status: no answer; last value 4 min ago", START_MS + 5_000),
        bad("no answer; value is 42 s old, for a part of it", START_MS + 10_000),
    )
    found = small.archive().range(NAME, 0, FOREVER)
    assert found.reasons == ("no answer", "needs CH-1.status: no answer", "no answer, for a part of it")


def test_whole_months_that_are_too_old_or_too_much_go_first_and_the_newest_stays(small: Plant) -> None:
    for month in range(4):
        begin = START_MS + 31 * DAY_MS * month
        small.at(begin + 3 * DAY_MS)
        small.store.backfill(recorded(small.signals, begin, begin + DAY_MS))
        small.store.seal()
    assert small.store.prune(keep_days=60, max_bytes=10**9).counts["months"] == 1
    assert (small.archive().extent() or (0, 0))[0] < START_MS + 31 * DAY_MS, "the summaries stay"
    assert small.archive().range(NAME, START_MS, START_MS + DAY_MS).at_ms.size == 0
    small.store.prune(keep_days=10_000, max_bytes=1_000)
    left = [small.archive().range(NAME, START_MS, START_MS + 31 * DAY_MS * month).at_ms.size for month in (3, 4)]
    assert left[0] == 0
    assert left[1] > 0
    assert small.archive().trouble == []


def test_a_check_reads_every_block(small: Plant) -> None:
    small.take(*(good(7.0, START_MS + 60_000 * minute) for minute in range(30)))
    small.at(START_MS + 2 * DAY_MS)
    small.store.seal()
    report = small.archive().check()
    assert report.ok
    # a chunk, its times, two summaries
    assert report.counts["blocks"] == 4
    assert report.counts["damaged"] == 0
