"""Start-up notes in an evidence package: what was noted comes out again elsewhere, and what is no note is not taken in."""

from __future__ import annotations

import asyncio
import gzip
import json
import sqlite3
import zipfile
from argparse import Namespace
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from plantview.alarms import Entry, compile_rules
from plantview.channel.client import ask_once
from plantview.channel.messages import AskRefused
from plantview.channel.paths import socket_path
from plantview.cli_open import opened
from plantview.clock import ManualClock, SystemClock
from plantview.evidence import Sources, build, unpack
from plantview.evidence.startup_shape import CAPTURE_BYTES_MAX
from plantview.history import Samples, Store
from plantview.history.room import Limits
from plantview.model.plant import Plant
from plantview.model.reading import Batch, Frame, good
from plantview.model.signal import Signal, signal_of
from plantview.service.past_field import PastField
from plantview.startup import Captures, Changes, Checkout, Event, Memory, Starts, Waiting, marker, proofs
from tests.unit.test_evidence_package import refused, remade

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
START_MS = 1_780_012_800_000 // DAY_MS * DAY_MS
SPAN = START_MS + HOUR_MS, START_MS + 3 * HOUR_MS
TRIP_MS = START_MS + 2 * HOUR_MS
WITHIN_S = 20.0


def line(at_ms: Any, value: float) -> Samples:
    return Samples(at_ms, np.full(at_ms.size, value), np.zeros(at_ms.size, np.uint8), ("",) * at_ms.size)


@dataclass(frozen=True)
class Day:
    """A data folder in which start-up day left its notes, and what the room says of them."""

    plant: Plant
    data: Path
    signals: dict[str, Signal]
    events: list[dict[str, Any]]
    checked: dict[str, Any]
    starts: list[dict[str, Any]]
    runs: list[dict[str, Any]]
    capture: dict[str, Any]


@pytest.fixture(scope="module")
def day(orchard: Plant, tmp_path_factory: pytest.TempPathFactory) -> Day:
    data = tmp_path_factory.mktemp("day")
    signals = {name: signal_of(point) for name, point in orchard.points.items()}
    at_ms = np.arange(START_MS, START_MS + 4 * HOUR_MS, 60_000, dtype=np.int64)
    store = Store(data, signals, SystemClock(), Limits(reserve_bytes=0))
    store.backfill({"CH-1.power": line(at_ms, 100.0)})
    store.seal(everything=True)
    store.close()
    memory, clock = Memory(data), ManualClock(TRIP_MS)
    rules, _ = compile_rules(orchard, signals)
    changes, waiting = Changes(orchard), Waiting(proofs(orchard, rules), memory)
    starts, sheet = Starts(orchard, signals, memory), Checkout(orchard, memory, clock)
    for second, values in ((0, {"enable": 0.0, "status": 0.0}), (5, {"enable": 1.0}), (65, {"status": 1.0})):
        then = TRIP_MS + second * 1_000
        batch = Batch(then, {f"CH-1.{name}": good(value, then) for name, value in values.items()})
        events, edges = changes.take(batch)
        memory.note(events)
        waiting.take(edges)
        starts.take(edges)
        sheet.take(batch)
    memory.note([marker(TRIP_MS + 90_000, "strainer cleaned", "AB")])
    memory.note([Event(SPAN[0] - 1, 0, 0, "person", "marker", "", text="before the span", person="AB")])
    memory.note([Event(SPAN[1], 0, 0, "person", "marker", "", text="after the span", person="AB")])
    frame = Frame(1, TRIP_MS, {"CH-1.chws_temp": good(6.9, TRIP_MS)})
    checked = sheet.check(frame, "CH-1.chws_temp", {"hand": 7.0, "tolerance": 0.2, "comment": "well"}, "AB")
    captures = Captures(orchard, rules, signals, data, memory)
    fault = next(rule for rule in rules if rule.class_name == "trip" or rule.first_out)
    words = (fault.equipment, "NORM", "UNACK", 2, "", "tripped")
    for at in (TRIP_MS, SPAN[1] + HOUR_MS):  # the second lies after the span
        captures.take([Entry(at, "ANN", fault.id, *words, annunciated=True)])
        (due,) = captures.due(at + HOUR_MS)
        captures.write(due, lambda names, *_: {name: line(at_ms[:5], 1.0) for name in names})
    memory.keep("pending", "x", {"alarm": "A", "equipment": "E", "at_ms": 1, "text": ""})
    memory.flush()
    times = next(row for row in waiting.rows(TRIP_MS) if row["runs"])
    told = Day(orchard, data, signals, [], checked, starts.rows(), times["runs"], captures.rows()[1])
    memory.close()
    return told


@pytest.fixture(scope="module")
def package(day: Day, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("mail") / "day.plantview.zip"
    asyncio.run(build(Sources(day.plant, day.data, day.signals), SPAN, target))
    return target


async def test_what_was_noted_is_told_again_on_another_computer_and_nothing_of_other_hours(
    day: Day, package: Path, tmp_path: Path
) -> None:
    found = unpack(package, tmp_path / "here")
    assert (found.manifest["events"], found.manifest["captures"]) == (3, 1)
    before = {path: path.read_bytes() for path in (tmp_path / "here").rglob("*") if path.is_file()}
    field, stop = PastField(day.plant, found.data, ManualClock(SPAN[1] + DAY_MS)), asyncio.Event()
    running = asyncio.create_task(field.run(stop))
    async with asyncio.timeout(WITHIN_S):
        while not field.channel.path.exists():  # noqa: ASYNC110 - it has no event on this side
            await asyncio.sleep(0)

    async def ask(what: str, **body: Any) -> dict[str, Any]:
        return (await ask_once(socket_path(found.data), what, body, WITHIN_S))[1]

    events = (await ask("startup_events"))["rows"]
    assert [(row["kind"], row["after"] or row["text"]) for row in events] == [
        ("marker", "strainer cleaned"),
        ("status", "RUN"),
        ("command", "ON"),
    ]
    assert events[0]["person"] == "AB"
    assert events[0]["since_previous_ms"] == 25_000
    assert [row["text"] for row in (await ask("startup_events", kinds=["marker"]))["rows"]] == ["strainer cleaned"]
    sheet = {row["point"]: row for row in (await ask("startup_checkout"))["rows"]}
    assert sheet["CH-1.chws_temp"]["checked"] == day.checked
    assert len(sheet) == len(day.plant.points)
    report = await ask("startup_report")
    assert [row["enable_ms"] for row in report["starts"]] == [row["enable_ms"] for row in day.starts]
    assert [row["runs"] for row in report["times"] if row["runs"]] == [day.runs]
    (capture,) = (await ask("startup_captures"))["rows"]
    assert capture == day.capture
    whole = await ask("startup_capture", id=capture["id"])
    assert sum(len(one["at_ms"]) for one in whole["samples"]) == capture["rows"] > 0
    for act in ("startup_mark", "startup_fast", "startup_check"):
        with pytest.raises(AskRefused, match="this is the past"):
            await ask(act, person="AB")
    stop.set()
    await running
    assert {path: path.read_bytes() for path in (tmp_path / "here").rglob("*") if path.is_file()} == before


def test_open_says_that_there_are_notes(package: Path) -> None:
    with opened(Namespace(what=str(package), into="", data="")) as place:
        assert "3 marks and events, 1 captures of trips, the checkout sheet: page Past, start-up notes" in place.said


async def test_a_plant_without_start_up_notes_has_a_package_without_them(
    day: Day, tmp_path: Path, orchard: Plant
) -> None:
    bare = tmp_path / "bare"
    bare.mkdir()
    (bare / "history").symlink_to(day.data / "history")
    packed = await build(Sources(orchard, bare, day.signals), SPAN, tmp_path / "bare.zip")
    with zipfile.ZipFile(packed.path) as file:
        assert not [name for name in file.namelist() if "startup" in name or "captures" in name]
    manifest = unpack(packed.path, tmp_path / "here").manifest
    assert (manifest["events"], manifest["captures"], manifest["left_out"]["trouble"]) == (0, 0, [])


async def test_captures_that_would_make_it_too_large_stay_behind_and_that_is_said(day: Day, tmp_path: Path) -> None:
    from plantview.evidence.startup_copy import copy_captures

    size = next((day.data / "captures").glob("*")).stat().st_size
    assert copy_captures(day.data, tmp_path / "to", (0, 2**53), size + 10) == (1, 1)
    assert [path.name for path in (tmp_path / "to").iterdir()] == [
        max(each.name for each in (day.data / "captures").iterdir())
    ]


async def test_damaged_notes_are_left_out_and_that_is_said(day: Day, tmp_path: Path, orchard: Plant) -> None:
    hurt = tmp_path / "hurt"
    hurt.mkdir()
    (hurt / "history").symlink_to(day.data / "history")
    (hurt / "startup.db").write_bytes(b"no database" * 1_000)
    packed = await build(Sources(orchard, hurt, day.signals), SPAN, tmp_path / "hurt.zip")
    manifest = unpack(packed.path, tmp_path / "here").manifest
    assert "start-up notes could not be copied" in manifest["left_out"]["trouble"][0]


# --- what somebody else may have made of it ---------------------------------------------------------------------------

NOTES = "data/startup.db"


def with_notes(tmp_path: Path, act: Callable[[sqlite3.Connection], object]) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        place = tmp_path / "notes.db"
        place.write_bytes(files[NOTES])
        with closing(sqlite3.connect(place)) as db:
            act(db)
            db.commit()
        files[NOTES] = place.read_bytes()

    return change


@pytest.mark.parametrize(
    ("statement", "given"),
    [
        ("UPDATE event SET at_ms = 'soon'", ()),
        ("UPDATE event SET early_ms = -1", ()),
        ("UPDATE event SET late_ms = 9007199254740993", ()),
        ("UPDATE event SET text = ?", ("x" * 3_000,)),
        ("UPDATE event SET person = x'07'", ()),
        ("UPDATE event SET kind = x'00ff'", ()),
        ("INSERT INTO kept VALUES ('pending', 'x', '{}')", ()),
        ("INSERT INTO kept VALUES ('checked', 'x', '{}')", ()),
        ("INSERT INTO kept VALUES ('checked', 'x', 'no json')", ()),
        ("INSERT INTO kept VALUES ('checked', 'x', 3)", ()),
        ("INSERT INTO kept VALUES ('times', 'x', '{\"runs\": [1]}')", ()),
        ('UPDATE kept SET row = replace(row, \'"at_ms":1\', \'"at_ms":"1","was":1\') WHERE kind = \'checked\'', ()),
        ("DROP TABLE event", ()),
        ("ALTER TABLE event DROP COLUMN person", ()),
    ],
)
def test_notes_that_are_not_what_notes_look_like_are_refused(
    package: Path, tmp_path: Path, statement: str, given: tuple[object, ...]
) -> None:
    file = remade(package, tmp_path / "x.zip", with_notes(tmp_path, lambda db: db.execute(statement, given)))
    refused(file, tmp_path / "here", "it is not opened")


@pytest.mark.parametrize(
    "statement", ["CREATE TRIGGER t AFTER INSERT ON event BEGIN SELECT 1; END", "CREATE VIEW v AS SELECT 1"]
)
def test_notes_that_hold_more_than_tables_are_refused(package: Path, tmp_path: Path, statement: str) -> None:
    file = remade(package, tmp_path / "x.zip", with_notes(tmp_path, lambda db: db.execute(statement)))
    refused(file, tmp_path / "here", "holds more than readings")


def captured(files: dict[str, bytes]) -> str:
    return next(name for name in files if name.startswith("data/captures/"))


def _edited(before: bytes, after: bytes) -> Callable[[bytes], bytes]:
    return lambda raw: gzip.compress(gzip.decompress(raw).replace(before, after, 1))


BAD_CAPTURES: dict[str, Callable[[bytes], bytes]] = {
    "not packed": gzip.decompress,
    "cut": lambda raw: raw[:-20],
    "another trip's": _edited(b'"id":"1', b'"id":"2'),
    "a time that is none": _edited(b'"at_ms":[1', b'"at_ms":["a",1'),
    "a quality that is none": _edited(b'"quality":[0', b'"quality":[9'),
    "fewer values than times": _edited(b'"values":[1.0,', b'"values":['),
    "a line that is no record": lambda raw: gzip.compress(gzip.decompress(raw) + b"\n7"),
    "nothing": lambda _: gzip.compress(b""),
}


@pytest.mark.parametrize("name", BAD_CAPTURES)
def test_a_capture_that_is_not_what_one_looks_like_is_refused(package: Path, tmp_path: Path, name: str) -> None:
    def act(files: dict[str, bytes]) -> None:
        before = files[captured(files)]
        files[captured(files)] = BAD_CAPTURES[name](before)
        assert files[captured(files)] != before, name

    refused(remade(package, tmp_path / "x.zip", act), tmp_path / "here", "it is not opened")


def test_a_capture_that_unpacks_without_end_is_stopped_and_refused(package: Path, tmp_path: Path) -> None:
    def act(files: dict[str, bytes]) -> None:
        files[captured(files)] = gzip.compress(b" " * (CAPTURE_BYTES_MAX + 1), 1)

    refused(remade(package, tmp_path / "x.zip", act), tmp_path / "here", "unpacks to more than 50 MB")


@pytest.mark.parametrize(
    "name", ["data/captures/x.jsonl.gz", "data/captures/../1234567890123-a.jsonl.gz", "data/startup.db-wal"]
)
def test_names_beside_those_of_notes_are_refused(package: Path, tmp_path: Path, name: str) -> None:
    file = remade(package, tmp_path / "x.zip", lambda files: files.update({name: b"x"}))
    refused(file, tmp_path / "here", "which no evidence package does")


def test_no_name_of_an_account_or_key_is_among_the_notes(package: Path) -> None:
    with zipfile.ZipFile(package) as packed:
        manifest = json.loads(packed.read("manifest.json"))
    assert "accounts, keys, passwords" in manifest["left_out"]["always"]
