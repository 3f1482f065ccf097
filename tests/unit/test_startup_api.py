"""Start-up's part of the API over ASGI, with the room itself behind a real channel and no network."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import httpx
import pytest

from plantview.alarms import Entry, compile_rules
from plantview.clock import ManualClock
from plantview.history import Samples, Store
from plantview.model.reading import Batch, Frame, Reading, good
from plantview.polling import Polling, Quickened
from plantview.service.startup_asks import StartupAsks
from tests.unit.fake_field import START_MS, FakeField
from tests.unit.test_web_api import PLANT, WITH_TOKEN, Site, field, site

__all__ = ["field", "site"]

API = "/api/v1/startup"
PUMP = next(item.id for item in PLANT.equipment.values() if item.kind == "pump" and f"{item.id}.status" in PLANT.points)
CHILLER = next(item.id for item in PLANT.equipment.values() if item.kind == "chiller")


@dataclass
class Desk:
    """A page's view of the room."""

    http: httpx.AsyncClient
    room: StartupAsks
    asked: list[tuple[str, ...]]
    readings: dict[str, Reading]
    clock: ManualClock

    async def post(self, path: str, **body: Any) -> httpx.Response:
        return await self.http.post(f"{API}/{path}", content=json.dumps(body), headers=WITH_TOKEN)

    async def read(self, path: str) -> Any:
        answer = await self.http.get(f"{API}{path}")
        assert answer.status_code == 200, answer.text
        return answer.json()

    def take(self, **values: float) -> None:
        now = self.clock.now_ms()
        found = {name.replace("__", "."): good(value, now) for name, value in values.items()}
        self.readings |= found
        self.room.take(Batch(now, found))


@pytest.fixture
async def desk(field: FakeField, site: Site, tmp_path: Path) -> AsyncIterator[Desk]:
    clock, readings, asked = ManualClock(START_MS), dict[str, Reading](), list[tuple[str, ...]]()

    def quicken(names: Any) -> Quickened:
        asked.append(tuple(names))
        return Quickened(dict.fromkeys(names, 1.0), {})

    history = SimpleNamespace(frame=lambda: Frame(1, clock.now_ms(), readings), range=lambda *_: Samples.none())
    rules, _ = compile_rules(PLANT, field.signals)
    polling = cast("Polling", SimpleNamespace(quicken=quicken))
    room = StartupAsks(PLANT, tmp_path, clock, field.signals, cast("Store", history), polling, rules)
    for what, answer in room.answers().items():
        field.channel.register(what, answer)
    yield Desk(site.http, room, asked, readings, clock)
    room._memory.close()


async def test_a_mark_is_an_event_and_stands_among_the_events_of_every_trend_and_in_the_export(desk: Desk) -> None:
    assert (await desk.post("mark", text="strainer cleaned", person="AB")).status_code == 200
    (row,) = (await desk.read("/events"))["rows"]
    assert (row["kind"], row["text"], row["person"], row["at_ms"]) == ("marker", "strainer cleaned", "AB", START_MS)
    journal = (await desk.http.get("/api/v1/alarms?journal=5")).json()["journal"]
    assert [(line["kind"], line["text"]) for line in journal] == [("EVENT", "MARK: strainer cleaned")]
    spans = [f"from={START_MS}&to={START_MS + 1}", f"from={START_MS + 1}"]
    in_span = [(await desk.http.get(f"/api/v1/alarms/journal?{span}&marks=1")).json()["rows"] for span in spans]
    assert [[line["text"] for line in rows] for rows in in_span] == [["MARK: strainer cleaned"], []]
    exported = (await desk.http.get(f"{API}/events?format=csv")).text
    assert "strainer cleaned" in exported


async def test_a_mark_without_a_person_is_refused_and_says_what_is_missing(desk: Desk) -> None:
    answer = await desk.post("mark", text="x")
    assert answer.status_code == 400
    assert "'person' must be given" in answer.json()["detail"]
    assert (await desk.read("/events"))["rows"] == []


async def test_events_tell_the_time_since_the_one_before_also_over_a_page_and_by_filter(desk: Desk) -> None:
    for value in (0.0, 1.0, 0.0, 1.0):
        desk.take(**{f"{PUMP}__status": value, f"{CHILLER}__status": 1.0})
        await desk.clock.advance(5)
    told = await desk.read(f"/events?equipment={PUMP}&kind=status&limit=2")
    assert [(row["after"], row["since_previous_ms"], row["early_ms"]) for row in told["rows"]] == [
        ("RUN", 5_000, 5_000),
        ("OFF", 5_000, 5_000),
    ]
    assert told["more"]
    last = told["rows"][-1]
    rest = await desk.read(f"/events?equipment={PUMP}&before_ms={last['at_ms']}&before_seq={last['seq']}")
    assert [row["after"] for row in rest["rows"]] == ["RUN"]
    assert (await desk.read(f"/events?equipment={CHILLER}"))["rows"] == []
    lines = list(csv.DictReader(io.StringIO((await desk.http.get(f"{API}/events?format=csv&equipment={PUMP}")).text)))
    assert [(line["after"], line["maybe_earlier_s"]) for line in lines] == [
        ("RUN", "5.0"),
        ("OFF", "5.0"),
        ("RUN", "5.0"),
    ]


async def test_an_alarm_is_an_event_and_what_only_the_journal_needs_is_none(desk: Desk) -> None:
    desk.room.take_alarms(
        Entry(START_MS, kind, f"{CHILLER}.FAULT", CHILLER, "NORM", "UNACK", 2, "", "tripped", annunciated=True)
        for kind in ("ANN", "SUPPRESS", "NOTE")
    )
    assert [row["after"] for row in (await desk.read("/events"))["rows"]] == ["ANN"]


async def test_the_fast_group_is_chosen_seen_by_all_extended_and_ends_by_itself(desk: Desk) -> None:
    name = f"{CHILLER}.chws_temp"
    answer = await desk.post("fast", act="choose", points=[name], minutes=10, person="AB")
    assert answer.status_code == 200, answer.text
    seen = (await desk.read(""))["fast"]
    assert (seen["points"], seen["left_s"], seen["person"]) == ({name: 1.0}, 600.0, "AB")
    await desk.clock.advance(500)
    await desk.post("fast", act="extend", person="CD")
    await desk.clock.advance(1_799)
    desk.room._fast.tick()
    assert desk.asked == [(name,)]
    await desk.clock.advance(2)
    desk.room._fast.tick()
    assert desk.asked[-1] == ()
    assert (await desk.read(""))["fast"]["points"] == {}


@pytest.mark.parametrize(
    ("body", "status", "said"),
    [
        ({"act": "choose", "points": ["CH-9.nothing"]}, 409, "no point 'CH-9.nothing'"),
        ({"act": "choose", "points": []}, 409, "choose 1 to 60 points"),
        ({"act": "choose", "points": ["x"] * 61}, 400, "at most 60"),
        ({"act": "choose", "points": ["x"], "minutes": 31}, 400, "minutes"),
        ({"act": "extend"}, 409, "no point is in the fast group"),
        ({"act": "explode"}, 409, "nothing that can be done"),
    ],
)
async def test_a_fast_group_beyond_its_bounds_is_refused_and_polling_is_left_alone(
    desk: Desk, body: dict[str, Any], status: int, said: str
) -> None:
    answer = await desk.post("fast", person="AB", **body)
    assert answer.status_code == status
    assert said in answer.json()["detail"]
    assert desk.asked == []


async def test_the_checkout_sheet_is_filled_in_and_exported(desk: Desk) -> None:
    name = f"{CHILLER}.chws_temp"
    desk.take(**{f"{CHILLER}__chws_temp": 44.0})
    await desk.clock.advance(5)
    desk.take(**{f"{CHILLER}__chws_temp": 44.6})
    answer = await desk.post("check", point=name, hand=44.2, tolerance=0.5, comment="=1+1", person="AB")
    assert answer.json()["checked"]["verdict"] == "pass"
    text = (await desk.http.get(f"{API}/checkout?format=csv")).text
    line = next(row for row in csv.DictReader(io.StringIO(text)) if row["point"] == name)
    assert (line["seen_changing"], line["hand_reading"], line["verdict"], line["initials"]) == (
        "yes",
        "44.2",
        "pass",
        "AB",
    )
    assert line["difference"] == "0.4"
    assert line["comment"] == "'=1+1"  # a spreadsheet would work it out
    assert len(text.splitlines()) == len(PLANT.points) + 1


async def test_a_reading_that_is_no_number_is_refused_before_the_field_is_asked(desk: Desk) -> None:
    answer = await desk.post("check", point=f"{CHILLER}.chws_temp", hand="44", person="AB")
    assert answer.status_code == 400
    assert "'hand' must be a number" in answer.json()["detail"]


async def test_the_report_tells_order_to_proof_with_its_limit_and_exports_it(desk: Desk) -> None:
    desk.take(**{f"{PUMP}__command": 0.0, f"{PUMP}__status": 0.0})
    await desk.clock.advance(5)
    desk.take(**{f"{PUMP}__command": 1.0})
    await desk.clock.advance(10)
    desk.take(**{f"{PUMP}__status": 1.0})
    row = next(item for item in (await desk.read("/report"))["times"] if item["machine"] == PUMP)
    assert (row["last_s"], row["state"]) == (10.0, "made")
    lines = csv.DictReader(io.StringIO((await desk.http.get(f"{API}/report?format=csv")).text))
    line = next(item for item in lines if item["machine"] == PUMP)
    assert (line["seconds"], line["most_s"]) == ("10.0", "15.0")


async def test_a_capture_that_is_not_there_is_refused_and_none_is_an_empty_list(desk: Desk) -> None:
    assert (await desk.read("/captures"))["rows"] == []
    answer = await desk.http.get(f"{API}/captures?id=../../etc/passwd")
    assert answer.status_code == 409
    assert "no such capture" in answer.json()["detail"]


async def test_a_fault_of_this_room_never_reaches_polling(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_batch: Batch) -> None:
        raise ValueError("broken")

    monkeypatch.setattr(desk.room._changes, "take", broken)
    desk.take(**{f"{PUMP}__status": 1.0})
    assert (await desk.read("/events"))["rows"] == []
