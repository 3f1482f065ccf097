"""The database dies, the site dies, both at full rate: nothing that was acknowledged is lost, nothing stands there twice."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from plantview.clock import ManualClock
from plantview.errors import HistoryError, StartRefused
from plantview.history import Archive, Store
from plantview.history.postgresql import PASSWORD, Place
from plantview.history.room import Limits
from plantview.model.reading import good
from tests import postgres
from tests.faults.history_crash import CHECKOUT, COMMITS_MAX
from tests.faults.history_writer import BEGIN_MS, PER_COMMIT, STEP_MS, at, points, value
from tests.history_plant import FOREVER, NAME, Plant
from tests.history_rig import START_MS
from tests.history_rig import signal as described

DAY_COMMITS = 24 * 60


class Site:
    """One writing process with its database; it can be killed and goes on where its folder says."""

    def __init__(self, folder: Path, server: postgres.Server, plant: str) -> None:
        self.folder, self.url, self.plant, self.acknowledged = folder, server.url, plant, -1
        self.writer = self._start()

    def _start(self) -> subprocess.Popen[bytes]:
        first = str(self.acknowledged + 1)
        command = [
            sys.executable,
            "-m",
            "tests.faults.history_writer",
            str(self.folder),
            first,
            str(COMMITS_MAX),
            self.url,
            self.plant,
        ]
        return subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, cwd=CHECKOUT, env=dict(os.environ)
        )

    def writes(self, commits: int) -> None:
        """Return when so many further commits are acknowledged."""
        assert self.writer.stdout is not None
        for _ in range(commits):
            line = self.writer.stdout.readline()
            assert line, "the writer ended by itself"
            self.acknowledged = int(line)

    def die(self) -> None:
        """Kill the process; what it said before it died counts."""
        assert self.writer.stdout is not None
        self.writer.send_signal(signal.SIGKILL)
        rest = self.writer.stdout.read().split()
        self.acknowledged = max([self.acknowledged, *(int(number) for number in rest)])
        self.writer.stdout.close()
        self.writer.wait()

    def again(self) -> None:
        """Start it where its folder ends."""
        self.writer = self._start()


@pytest.fixture(scope="module")
def server() -> Iterator[postgres.Server]:
    with postgres.private_server() as running:
        yield running


@pytest.mark.timeout(120)
def test_a_database_and_a_site_that_die_lose_nothing_and_double_nothing(
    server: postgres.Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(PASSWORD, postgres.PASSWORD)
    deaths(server, tmp_path, "once", database=1, commits=61)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_database_killed_six_times_and_a_site_killed_three_times_lose_nothing_and_double_nothing(
    server: postgres.Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(PASSWORD, postgres.PASSWORD)
    deaths(server, tmp_path, "often", database=6, commits=90)


def deaths(server: postgres.Server, folder: Path, plant: str, *, database: int, commits: int) -> None:
    """Kill the database so many times, the site at the first and every second of them, and count what is there in the end.

    ``commits`` are acknowledged in between; more than sixty are an hour of plant time, so that each
    stretch meets an hour that is sealed and sent.
    """
    place = Place.of(server.url, plant)
    site = Site(folder, server, plant)
    for death in range(database):
        site.writes(commits)
        server.kill()
        site.writes(commits)  # the plant is recorded while the database is away
        if not death % 2:
            site.die()
            site.again()
        server.start()
    site.writes(commits)
    site.die()
    # so late that every day is over: all of it is sealed, sent and summed up
    clock = ManualClock(at((site.acknowledged + 3 * DAY_COMMITS) * PER_COMMIT))
    store = Store(folder, points(), clock, Limits(reserve_bytes=0), place)
    store.seal(everything=True)
    store.close()
    archive = Archive(folder, place)
    found = archive.ranges(list(points()), 0, 10**14)
    assert archive.trouble == []
    with server.session() as db:
        db.execute(f"SET search_path TO {place.schema}")
        held = db.execute("SELECT sum(n) FROM chunk").fetchone()[0]
    there = 0
    for row, samples in enumerate(found.values()):
        numbers = (samples.at_ms - BEGIN_MS) // STEP_MS
        there += numbers.size
        assert np.unique(numbers).size == numbers.size, "a sample stands there twice"
        assert np.isin(np.arange((site.acknowledged + 1) * PER_COMMIT), numbers).all(), "an acknowledged sample is lost"
        assert samples.values.tolist() == [value(row, number) for number in numbers.tolist()]
    assert held == there, "what was read came from the database, which holds each sample once"


@pytest.fixture
def small(server: postgres.Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Plant]:
    monkeypatch.setenv(PASSWORD, postgres.PASSWORD)
    plant = Plant(tmp_path, {NAME: described(NAME)}, place=Place.of(server.url, tmp_path.name))
    yield plant
    plant.store.close()


def test_while_the_database_is_away_the_folder_answers_and_the_health_page_says_so(
    server: postgres.Server, small: Plant
) -> None:
    small.take(good(7.0, START_MS), good(7.1, START_MS + 5_000))
    small.store.seal(everything=True)
    small.take(good(7.2, START_MS + 10_000), good(7.3, START_MS + 15_000))
    server.kill()
    try:
        with pytest.raises(HistoryError, match="cannot reach the database"):
            small.store.seal(everything=True)
        assert "what is sealed stays in the data folder, is shown from there" in small.store.health()
        archive = small.archive()
        assert archive.range(NAME, 0, FOREVER).values.tolist() == [7.2, 7.3]
        assert any("the database cannot be read" in text for text in archive.trouble)
        small.take(good(7.4, START_MS + 20_000))
        assert small.store.frame().reading(NAME).value == 7.4
    finally:
        server.start()
    small.store.seal(everything=True)
    assert small.store.health() == ""
    assert small.archive().range(NAME, 0, FOREVER).values.tolist() == [7.0, 7.1, 7.2, 7.3, 7.4]


def test_a_second_writer_of_one_plant_is_refused_by_name(small: Plant, tmp_path: Path) -> None:
    small.take(good(7.0, START_MS))
    small.store.seal(everything=True)
    other = Plant(tmp_path / "elsewhere", {NAME: described(NAME)}, place=small.place)
    other.take(good(8.0, START_MS))
    with pytest.raises(HistoryError, match="another process writes the schema"):
        other.store.seal(everything=True)
    other.store.close()
    assert small.archive().range(NAME, 0, FOREVER).values.tolist() == [7.0]


def test_a_database_of_a_newer_version_is_neither_written_nor_misread(server: postgres.Server, small: Plant) -> None:
    small.take(good(7.0, START_MS))
    small.store.seal(everything=True)
    assert small.place is not None
    with server.session() as db:
        db.execute(f"SET search_path TO {small.place.schema}")
        db.execute("UPDATE meta SET value = '99' WHERE key = 'schema'")
    small.again()
    small.take(good(7.1, START_MS + 5_000))
    with pytest.raises(HistoryError, match="newer plantview"):
        small.store.seal(everything=True)
    archive = small.archive()
    assert archive.range(NAME, 0, FOREVER).values.tolist() == [7.1]
    assert any("newer plantview" in text for text in archive.trouble)


def test_two_plants_in_one_database_know_nothing_of_each_other(
    server: postgres.Server, small: Plant, tmp_path: Path
) -> None:
    other = Plant(tmp_path / "other", {NAME: described(NAME)}, place=Place.of(server.url, "another plant"))
    for plant, number in ((small, 7.0), (other, 8.0)):
        plant.take(good(number, START_MS))
        plant.store.seal(everything=True)
    found = [plant.archive().range(NAME, 0, FOREVER).values.tolist() for plant in (small, other)]
    other.store.close()
    assert found == [[7.0], [8.0]]


def test_without_the_library_the_start_is_refused_and_names_the_extra(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(StartRefused, match=r"pip install 'plantview\[postgresql\]'"):
        Plant(tmp_path, {NAME: described(NAME)}, place=Place("postgresql://nowhere.example/plants", "plantview_x"))
