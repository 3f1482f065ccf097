"""The API over ASGI, with a field process made of numbers behind a real channel; and the whole server once."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
import websockets

from plantview.channel.client import LOST, ChannelClient
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.errors import StartRefused
from plantview.web.app import build_application
from plantview.web.frame_view import LINK_DEADLINE_REAL_S, FrameView
from plantview.web.hosts import allowed_hosts
from plantview.web.live import Live
from plantview.web.server import listen, serve_on, serve_web
from tests.unit.fake_field import START_MS, FakeField
from tests.unit.live_words import read

PLANT = load_plant(bundled("plants") / "larkfield")
HOME = "http://127.0.0.1:8050"
TOKEN = "t" * 43
WITH_TOKEN = {"origin": HOME, "cookie": f"_csrf_token={TOKEN}", "x-csrftoken": TOKEN}
POINT = "CH-1.chws_temp"
CLOSED_BY_RESTART = 1012
"""Close code "service restart" (IANA WebSocket close code registry)."""


@dataclass
class Site:
    http: httpx.AsyncClient
    field: FakeField
    view: FrameView
    clock: ManualClock
    heard: asyncio.Queue[str]
    """Kind of each message of the field once it is in the view."""

    async def hears(self, kind: str) -> None:
        while await self.heard.get() != kind:
            pass


def _alarm(number: int, *, acked: bool = False) -> dict[str, Any]:
    return {
        "id": f"a{number}",
        "priority": 1,
        "since_ms": START_MS,
        "acked": acked,
        "acked_by": "",
        "equipment": "CH-2",
        "point": "",
        "text": "Tripped",
        "action": "Look",
        "state": "UNACK",
    }


@pytest.fixture
async def field(tmp_path: Path) -> AsyncIterator[FakeField]:
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    made = FakeField(PLANT, folder / "s.sock")
    await made.channel.start()
    made.active = [_alarm(1)]
    made.greet()
    yield made
    await made.channel.stop()


@pytest.fixture
async def site(field: FakeField) -> AsyncIterator[Site]:
    clock = ManualClock()
    view = FrameView(PLANT, clock)
    live = Live(view, clock)
    heard: asyncio.Queue[str] = asyncio.Queue()

    def take(kind: str, body: dict[str, Any]) -> None:
        change = view.take(kind, body)
        if change is not None:
            live.changed(change)
        heard.put_nowait(kind)

    client = ChannelClient(field.channel.path, take)
    application = build_application(view, live, client, allowed_hosts("127.0.0.1", 8050))
    running = asyncio.create_task(client.run())
    async with httpx.AsyncClient(transport=httpx.ASGITransport(application.guarded), base_url=HOME) as http:
        site = Site(http, field, view, clock, heard)
        await site.hears("health")
        yield site
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_the_plant_says_what_it_is_and_that_it_is_live(site: Site) -> None:
    plant = (await site.http.get("/api/v1/plant")).json()
    assert plant["name"] == PLANT.name
    assert plant["zone"] == PLANT.zone
    assert plant["simulated"] is True
    assert plant["link"]["ok"] is True
    assert {row["id"] for row in plant["equipment"]} == set(PLANT.equipment)
    assert {row["id"] for row in plant["devices"]} == set(PLANT.devices)


async def test_points_tell_where_each_value_comes_from(site: Site) -> None:
    points = {row["point"]: row for row in (await site.http.get("/api/v1/points")).json()}
    assert set(points) == set(site.field.signals)
    measured = points[POINT]
    assert (measured["device"], measured["derived"]) == ("CH-1-PANEL", False)
    assert measured["address"] == str(PLANT.points[POINT].address)
    assert points["PLANT.kw_per_ton"]["inputs"] == ["PLANT.power_input", "PLANT.cooling_load"]
    assert points["PLANT.kw_per_ton"]["derived"] is True


async def test_values_are_a_list_with_value_unit_quality_reason_and_age(site: Site) -> None:
    answer = await site.http.get("/api/v1/values")
    assert answer.headers["content-type"] == "application/json"
    rows = answer.json()
    assert len(rows) == len(site.field.signals)
    for row in rows:
        assert {"point", "value", "unit", "quality", "reason", "age_s", "at", "derived"} <= set(row)
        assert row["quality"] in {"GOOD", "UNCERTAIN", "STALE", "BAD"}
    efficiency = next(row for row in rows if row["point"] == "PLANT.kw_per_ton")
    assert [item["point"] for item in efficiency["inputs"]] == ["PLANT.power_input", "PLANT.cooling_load"]
    assert all({"value", "unit", "quality", "at"} <= set(item) for item in efficiency["inputs"])


async def test_values_come_in_the_units_that_are_asked_for(site: Site) -> None:
    signal = site.field.signals[POINT]
    celsius = signal.unit.to_canonical(site.field.reading(signal, 0)[0])
    for system, unit, expected in (
        ("si", "°C", celsius),
        ("ip", "°F", celsius * 9 / 5 + 32),
        ("reported", signal.unit.label, None),
    ):
        [row] = (await site.http.get("/api/v1/values", params={"units": system, "point": POINT})).json()
        assert row["unit"] == unit
        assert row["value"] == pytest.approx(
            site.field.reading(signal, 0)[0] if expected is None else expected, abs=0.001
        )
    [load] = (await site.http.get("/api/v1/values", params={"units": "ip", "point": "PLANT.cooling_load"})).json()
    [load_kw] = (await site.http.get("/api/v1/values", params={"units": "si", "point": "PLANT.cooling_load"})).json()
    # 1 ton of refrigeration = 12 000 Btu/h = 3.516 853 kW (NIST SP 811, appendix B.8)
    assert (load["unit"], load["value"]) == ("tons", pytest.approx(load_kw["value"] / 3.516853, rel=1e-5))


async def test_what_is_bad_has_no_number_and_a_reason(site: Site) -> None:
    site.field.override[POINT] = [None, 3, "device refused: unknown object", START_MS]
    site.field.beat()
    await site.hears("frame")
    [row] = (await site.http.get("/api/v1/values", params={"point": POINT})).json()
    assert (row["value"], row["quality"], row["reason"]) == (None, "BAD", "device refused: unknown object")
    assert row["age_s"] == 1.0


async def test_nothing_is_good_when_the_field_is_silent(site: Site) -> None:
    await site.clock.advance(LINK_DEADLINE_REAL_S + 1)
    rows = (await site.http.get("/api/v1/values")).json()
    assert {row["quality"] for row in rows} == {"STALE"}
    assert (await site.http.get("/api/v1/health")).status_code == 503
    assert (await site.http.get("/api/v1/plant")).json()["link"]["ok"] is False
    await site.clock.advance(60)
    rows = (await site.http.get("/api/v1/values")).json()
    assert {row["quality"] for row in rows} == {"BAD"}
    assert {row["value"] for row in rows} == {None}


async def test_health_says_ok_degraded_or_down(site: Site) -> None:
    answer = await site.http.get("/api/v1/health")
    assert (answer.status_code, answer.json()["status"]) == (200, "ok")
    assert [row["id"] for row in answer.json()["field"]["devices"]] == list(PLANT.devices)
    site.view.health = {**site.field.health(), "silent": ["BC-1"]}
    answer = await site.http.get("/api/v1/health")
    assert (answer.status_code, answer.json()["status"]) == (200, "degraded")


async def test_history_comes_from_the_field_with_gaps_as_null(site: Site) -> None:
    read = (await site.http.get("/api/v1/history", params={"point": POINT, "units": "si"})).json()
    assert read["unit"] == "°C"
    assert len(read["at_ms"]) == len(read["values"]) == len(read["quality"]) == 240
    assert read["to_ms"] - read["from_ms"] == 3_600_000
    assert all(
        (value is None) == (quality == 3) for value, quality in zip(read["values"], read["quality"], strict=True)
    )
    assert None in read["values"]
    moments = {"from": "2026-09-21T14:00:00Z", "to": "2026-09-21T14:30:00+00:00"}
    read = (await site.http.get("/api/v1/history", params={"point": POINT, **moments})).json()
    assert read["to_ms"] - read["from_ms"] == 1_800_000


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/api/v1/history", 404),
        ("/api/v1/history?point=CH-9.nothing", 404),
        (f"/api/v1/history?point={POINT}&from=yesterday", 400),
        (f"/api/v1/history?point={POINT}&from=2026-09-21T14:00:00", 400),
        (f"/api/v1/history?point={POINT}&from=5&to=4", 400),
        (f"/api/v1/history?point={POINT}&from=0&to=99999999999", 400),
        ("/api/v1/values?units=metric", 400),
        ("/api/v1/values?point=nothing", 404),
        ("/api/v1/alarms?journal=many", 400),
        ("/api/v1/alarms?journal=9999", 400),
        ("/api/v1/alarms?journal=-1", 400),
        ("/schematic.svg?orientation=sideways", 400),
    ],
)
async def test_a_wrong_question_is_a_problem_with_its_remedy(site: Site, path: str, status: int) -> None:
    answer = await site.http.get(path)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == status
    assert answer.json()["detail"]
    assert answer.json()["remedy"]


async def test_an_acknowledgement_reaches_the_field_with_its_person(site: Site) -> None:
    answer = await site.http.post(
        "/api/v1/alarms/acknowledge", headers=WITH_TOKEN, json={"id": "a1", "person": " MK ", "comment": "seen on site"}
    )
    assert answer.status_code == 200
    (told,) = site.field.acknowledged
    who = told.pop("who")
    assert told == {"alarm": "a1", "person": "MK", "comment": "seen on site"}
    # without accounts everybody at this computer is an operator, under the initials that were given
    assert (who["name"], who["role"]) == ("MK", "operator")
    again = await site.http.post("/api/v1/alarms/acknowledge", headers=WITH_TOKEN, json={"id": "a1", "person": "MK"})
    assert again.status_code == 409
    assert "acknowledged already" in again.json()["detail"]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"[]",
        b"{}",
        b'{"id": "a1"}',
        b'{"id": "a1", "person": " "}',
        b'{"id": 7, "person": "MK"}',
        b'{"id": "a1", "person": null}',
        json.dumps({"id": "a1", "person": "M" * 41}).encode(),
        json.dumps({"id": "a1", "person": "MK", "comment": "x" * 501}).encode(),
        b"\xff",
    ],
)
async def test_an_acknowledgement_that_says_too_little_or_too_much_is_refused(site: Site, body: bytes) -> None:
    answer = await site.http.post("/api/v1/alarms/acknowledge", headers=WITH_TOKEN, content=body)
    assert answer.status_code == 400
    assert site.field.acknowledged == []


async def test_alarms_come_with_their_journal_when_asked(site: Site) -> None:
    site.field.journal = [{"seq": number, "at_ms": START_MS, "kind": "ANN"} for number in range(5)]
    plain = (await site.http.get("/api/v1/alarms")).json()
    assert [row["id"] for row in plain["active"]] == ["a1"]
    assert "journal" not in plain
    assert len((await site.http.get("/api/v1/alarms?journal=3")).json()["journal"]) == 3


async def test_a_field_that_is_gone_is_a_503_with_what_to_do(site: Site) -> None:
    await site.field.channel.stop()
    await site.hears(LOST)
    answer = await site.http.get(f"/api/v1/history?point={POINT}")
    assert answer.status_code == 503
    assert "polling goes on" in answer.json()["remedy"]


async def test_the_drawing_is_svg_of_this_plant(site: Site) -> None:
    for orientation in ("wall", "phone"):
        answer = await site.http.get("/schematic.svg", params={"orientation": orientation})
        assert answer.headers["content-type"].startswith("image/svg+xml")
        assert "CH-1" in answer.text
        assert "<script" not in answer.text
        assert " style=" not in answer.text


async def test_the_whole_server_shows_a_change_says_when_the_field_goes_and_stops_cleanly(field: FakeField) -> None:
    stop, ready = asyncio.Event(), asyncio.Event()
    with listen("127.0.0.1", 0) as listener:
        port = listener.getsockname()[1]
        serving = asyncio.create_task(
            serve_on(listener, PLANT, field.channel.path, "127.0.0.1", stop=stop, ready=ready.set)
        )
        await ready.wait()
        origin = websockets.Origin(f"http://127.0.0.1:{port}")
        async with websockets.connect(f"ws://127.0.0.1:{port}/live", origin=origin, max_size=2**22) as socket:
            told = read(await socket.recv())
            while not told["link"]["ok"]:
                told = {"link": {"ok": False}, **read(await socket.recv())}
            assert told["kind"] == "snapshot"
            field.beat([POINT])
            delta = read(await socket.recv())
            while "readings" not in delta:
                delta = read(await socket.recv())
            assert delta["kind"] == "delta"
            assert delta["readings"] == {POINT: field.reading(field.signals[POINT], 1)}
            await field.channel.stop()
            while delta["kind"] != "link":
                delta = read(await socket.recv())
            assert delta["ok"] is False
            stop.set()
            await serving
            await socket.wait_closed()
            assert socket.close_code == CLOSED_BY_RESTART
    with pytest.raises(OSError, match=r"refused|Connect call failed"):
        await websockets.connect(f"ws://127.0.0.1:{port}/live")


async def test_a_port_in_use_is_refused_with_its_remedy(tmp_path: Path) -> None:
    with listen("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(StartRefused, match=f"cannot have 127.0.0.1:{port} .*choose another with --port"):
            await serve_web(PLANT, tmp_path / "s.sock", "127.0.0.1", port, stop=asyncio.Event())
