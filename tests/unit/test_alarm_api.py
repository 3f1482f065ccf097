"""The alarm part of the API, over ASGI, a real channel and a real engine behind it."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

import httpx
import pytest

from plantview.notifying import Notifying, Settings
from plantview.notifying.settings import Receiver
from plantview.service.alarm_asks import AlarmAsks
from tests.unit.alarm_rig import Rig, row, small_plant
from tests.unit.fake_field import FakeField
from tests.unit.test_web_api import WITH_TOKEN, Site, field, site

__all__ = ["field", "site"]

ACT = "/api/v1/alarms/act"


@dataclass
class Desk:
    """A page's view of one engine with two alarms."""

    http: httpx.AsyncClient
    rig: Rig
    notifying: Notifying

    async def act(self, **body: Any) -> httpx.Response:
        return await self.http.post(ACT, content=json.dumps(body), headers=WITH_TOKEN)

    async def read(self, path: str) -> Any:
        answer = await self.http.get(f"/api/v1/alarms/{path}")
        assert answer.status_code == 200, answer.text
        return answer.json()


@pytest.fixture
async def desk(field: FakeField, site: Site) -> AsyncIterator[Desk]:
    rig = Rig(
        row("HI", cause="=cause", first_out="G"),
        row("LATCHED", limit="52 degF", latching=True),
        row("EV", consequence=None),
    )
    on_call = Receiver(
        "On call",
        "",
        "https://example.org/secret",
        frozenset({1}),
        frozenset(),
        frozenset({0}),
        None,
        0.0,
        digest=False,
    )
    notifying = Notifying(Settings(receivers=(on_call,)), [], small_plant(), rig.clock, lambda *_: None)
    for what, answer in AlarmAsks(rig.engine, notifying, rig.clock).answers().items():
        field.channel.register(what, answer)
    yield Desk(site.http, rig, notifying)
    rig.engine.close()


async def test_a_group_is_acknowledged_at_once_with_person_and_comment(desk: Desk) -> None:
    desk.rig.scan(0, temp=53)
    answer = await desk.act(act="acknowledge", about=["HI", "LATCHED", "NONE"], person="JD", text="seen")
    assert answer.json() == {"done": ["HI", "LATCHED"], "refused": {"NONE": "there is no alarm 'NONE'"}}
    assert {desk.rig.state(name) for name in ("HI", "LATCHED")} == {"ACKED"}
    assert (await desk.read("record?id=HI"))["alarm"]["comment"] == "seen"


async def test_each_act_of_a_person_goes_through_and_back(desk: Desk) -> None:
    desk.rig.scan(0, temp=53)
    for body, state in (
        ({"act": "shelve", "text": "part ordered", "seconds": 3_600}, "SHLVD"),
        ({"act": "unshelve"}, "UNACK"),
        ({"act": "shelve", "text": "until it is over", "seconds": None}, "SHLVD"),
        ({"act": "comment", "text": "spoke to the maker"}, "SHLVD"),
        ({"act": "out_of_service", "text": "sensor out"}, "OOSRV"),
        ({"act": "in_service"}, "NORM"),
    ):
        answer = await desk.act(about=["LATCHED"], person="JD", **body)
        assert answer.status_code == 200, answer.text
        assert desk.rig.state("LATCHED") == state


async def test_a_latched_alarm_and_a_first_out_group_are_reset(desk: Desk) -> None:
    desk.rig.scan(0, temp=53)
    await desk.act(act="acknowledge", about=["HI", "LATCHED"], person="JD")
    assert (await desk.act(act="reset", about=["LATCHED"], person="JD")).status_code == 409
    assert (await desk.act(act="reset_first_out", about=["G"], person="JD")).status_code == 409
    desk.rig.scan(10, temp=45)
    assert (await desk.act(act="reset", about=["LATCHED"], person="JD")).json()["done"] == ["LATCHED"]
    assert (await desk.act(act="reset_first_out", about=["G"], person="JD")).json()["done"] == ["G"]
    assert desk.rig.state("LATCHED") == "NORM"
    assert desk.rig.engine.first_out("G") == {}


@pytest.mark.parametrize(
    ("body", "status", "detail"),
    [
        ({"act": "shelve", "about": ["HI"], "person": "JD", "seconds": 60}, 409, "give a reason"),
        ({"act": "shelve", "about": ["HI"], "person": "JD", "text": "x", "seconds": 30_000}, 409, "at most 480 min"),
        ({"act": "shelve", "about": ["HI"], "person": "JD", "text": "x", "seconds": -1}, 400, "number of seconds"),
        ({"act": "shelve", "about": ["HI"], "person": "JD", "text": "x", "seconds": True}, 400, "number of seconds"),
        ({"act": "acknowledge", "about": ["HI"], "person": "J"}, 409, "give your initials"),
        ({"act": "acknowledge", "about": ["HI"]}, 400, "'person' must be given"),
        ({"act": "acknowledge", "about": [], "person": "JD"}, 400, "'about' must be a list"),
        ({"act": "acknowledge", "about": "HI", "person": "JD"}, 400, "'about' must be a list"),
        ({"act": "acknowledge", "about": [7], "person": "JD"}, 400, "'about' must be a list"),
        ({"act": "start", "about": ["HI"], "person": "JD"}, 409, "nothing that can be done to an alarm"),
        ({"act": "acknowledge", "about": ["NONE"], "person": "JD"}, 409, "there is no alarm 'NONE'"),
    ],
)
async def test_an_act_that_is_refused_says_why_and_what_to_do(
    desk: Desk, body: dict[str, Any], status: int, detail: str
) -> None:
    desk.rig.scan(0, temp=51)
    answer = await desk.act(**body)
    assert answer.status_code == status
    assert detail in answer.json()["detail"]
    assert answer.json()["remedy"]
    assert desk.rig.state() == "UNACK"


@pytest.mark.parametrize("path", [ACT, "/api/v1/alarms/notice-test"])
async def test_an_act_without_the_token_of_the_page_is_refused(desk: Desk, path: str) -> None:
    body = json.dumps({"act": "acknowledge", "about": ["HI"], "person": "JD", "receiver": "On call"})
    desk.rig.scan(0, temp=51)
    assert (await desk.http.post(path, content=body, headers={"origin": "http://127.0.0.1:8050"})).status_code == 403
    assert (await desk.http.get(path)).status_code == 405
    assert desk.rig.state() == "UNACK"
    assert not desk.notifying.waiting("On call").out


async def test_a_record_tells_the_rule_and_its_history_and_an_unknown_one_is_refused(desk: Desk) -> None:
    desk.rig.scan(0, temp=51)
    told = await desk.read("record?id=HI")
    alarm = told["alarm"]
    assert (alarm["limit_text"], alarm["deadband_text"], alarm["points"]) == ("50.0 °F", "0.0 °F", ["CH-1.chws_temp"])
    assert alarm["first_out_order"] == [{"alarm": "HI", "rank": 1, "tied": False}]
    assert [line["kind"] for line in told["history"]] == ["ANN"]
    assert (await desk.read("record?id=EV"))["alarm"]["annunciated"] is False
    assert (await desk.http.get("/api/v1/alarms/record?id=NONE")).status_code == 409


async def test_the_journal_is_searched_paged_and_exported(desk: Desk) -> None:
    for number in range(6):
        desk.rig.scan(10 * number, temp=51 if number % 2 == 0 else 45)
    lines = (await desk.read("journal?alarm=HI&limit=2"))["rows"]
    older = (await desk.read(f"journal?alarm=HI&limit=2&before={lines[-1]['seq']}"))["rows"]
    assert [line["kind"] for line in lines + older] == ["RTN", "ANN", "RTN", "ANN"]
    assert (await desk.read("journal?search=no+such+text"))["rows"] == []
    answer = await desk.http.get("/api/v1/alarms/journal?calls=1&format=csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert "attachment" in answer.headers["content-disposition"]
    head, *rows = csv.reader(io.StringIO(answer.text.removeprefix("\ufeff")))
    assert (head[0], head[-1]) == ("line", "text")
    assert [cells[3] for cells in rows] == ["ANN", "ANN", "ANN"]
    for bad in ("limit=0", "before=x", "from=yesterday", "calls=2", f"search={'x' * 300}"):
        assert (await desk.http.get(f"/api/v1/alarms/journal?{bad}")).status_code == 400, bad


async def test_a_cell_of_the_export_is_never_a_formula(desk: Desk) -> None:
    desk.rig.scan(0, temp=51)
    await desk.act(act="acknowledge", about=["HI"], person="=1+1", text="x")
    text = (await desk.http.get("/api/v1/alarms/journal?format=csv")).text
    assert "'=1+1" in text


async def test_the_figures_come_with_what_to_do(desk: Desk) -> None:
    for number in range(6):
        desk.rig.scan(5 * number, temp=51 if number % 2 == 0 else 45)
    told = await desk.read("figures?days=7")
    assert told["total"] == 3
    assert told["chattering"] == ["HI"]
    assert any(not line["ok"] and line["remedy"] for line in told["rows"])
    assert (await desk.http.get("/api/v1/alarms/figures?days=0")).status_code == 400


async def test_a_test_message_is_asked_for_and_its_fate_is_told_without_secrets(desk: Desk) -> None:
    body = json.dumps({"receiver": "On call"})
    answer = await desk.http.post("/api/v1/alarms/notice-test", content=body, headers=WITH_TOKEN)
    assert answer.json()["receivers"][0]["waiting"] == 1
    assert "secret" not in answer.text
    assert await desk.notifying.send_due(desk.notifying.waiting("On call"))
    assert (await desk.read("notices"))["receivers"][0]["sent"] == 1
    answer = await desk.http.post("/api/v1/alarms/notice-test", content='{"receiver": "X"}', headers=WITH_TOKEN)
    assert answer.status_code == 409
