"""Accounts on: who is let in, with which role, for how long; and what is written down about it."""

from __future__ import annotations

import asyncio
import shutil
import stat
from collections.abc import AsyncIterator, Iterator, MutableMapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from starlette.datastructures import Headers

from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.model.person import Act, Person, Role
from plantview.model.plant import Plant
from plantview.web.access.accounts import AccountsFile
from plantview.web.access.callers import Caller, caller_of
from plantview.web.access.gate import Access, Terms
from plantview.web.access.passwords import digest
from plantview.web.access.sessions import ABSOLUTE_S, CONFIRMED_S, IDLE_S, IDLE_STRICT_S, NOBODY
from plantview.web.answers import Problem
from plantview.web.sockets import CLOSE_SESSION_ENDED
from tests.conftest import CHECKOUT
from tests.unit.access_rig import CHEAP, HOME, PASSWORD, PEER, TOKEN, Rig, everybody, key_of, rig, socket_scope

BEGIN, END, CONFIRM = (f"/api/v1/session/{act}" for act in ("begin", "end", "confirm"))
OWN_PAGE = {"origin": HOME, "cookie": f"_csrf_token={TOKEN}", "x-csrftoken": TOKEN}
WRONG = "not the password at all"


@pytest.fixture
def site(orchard: Plant, tmp_path: Path) -> Iterator[Rig]:
    with rig(orchard, tmp_path) as made:
        yield made


@pytest.fixture
async def http(site: Rig) -> AsyncIterator[httpx.AsyncClient]:
    async with site.client() as client:
        yield client


async def _sign_in(http: httpx.AsyncClient, name: str, password: str = PASSWORD, **headers: str) -> httpx.Response:
    return await http.post(BEGIN, headers={**OWN_PAGE, **headers}, json={"name": name, "password": password})


def _secret(answer: httpx.Response) -> str:
    return answer.headers["set-cookie"].partition("=")[2].partition(";")[0]


async def test_a_person_signs_in_is_known_and_signs_out(site: Rig, http: httpx.AsyncClient) -> None:
    answer = await _sign_in(http, "lead-1")
    assert answer.json() == {"name": "lead-1", "role": "lead"}
    sent = site.sent(_secret(answer))
    who = (await http.get("/api/v1/session", headers=sent)).json()
    assert (who["accounts"], who["name"], who["may"][0]) == (True, "lead-1", "see")
    assert (await http.post(END, headers=sent)).status_code == 200
    assert (await http.get("/api/v1/session", headers=sent)).status_code == 401
    acts = [row["act"] for row in site.logged()]
    assert acts == ["sign-in", "session ended", "refused"]
    assert site.logged()[1]["why"] == "signed out"


async def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(http: httpx.AsyncClient) -> None:
    parts = (await _sign_in(http, "lead-1")).headers["set-cookie"].lower().split("; ")
    assert {"httponly", "samesite=strict", "path=/"} <= set(parts)
    assert "secure" not in parts
    assert not any(part.startswith("domain") for part in parts)


async def test_a_session_gets_a_new_secret_at_every_sign_in_and_the_old_one_opens_nothing(
    site: Rig, http: httpx.AsyncClient
) -> None:
    first = _secret(await _sign_in(http, "lead-1"))
    second = _secret(await _sign_in(http, "lead-1", **site.sent(first)))
    assert first != second
    assert len(first) >= 43, "32 random bytes (OWASP ASVS 5.0.0, 7.2.3 asks for 16)"
    assert (await http.get("/api/v1/session", headers=site.sent(first))).status_code == 401
    assert (await http.get("/api/v1/session", headers=site.sent(second))).status_code == 200


async def test_a_secret_that_a_stranger_set_beforehand_is_not_taken_over(site: Rig, http: httpx.AsyncClient) -> None:
    answer = await _sign_in(http, "lead-1", **site.sent("chosen-by-a-stranger"))
    assert _secret(answer) != "chosen-by-a-stranger"
    assert (await http.get("/api/v1/session", headers=site.sent("chosen-by-a-stranger"))).status_code == 401


async def test_a_wrong_password_and_an_unknown_name_read_the_same(site: Rig, http: httpx.AsyncClient) -> None:
    wrong, unknown = await _sign_in(http, "lead-1", WRONG), await _sign_in(http, "nobody", WRONG)
    assert wrong.status_code == unknown.status_code == 401
    assert wrong.json() == unknown.json()
    assert [row["act"] for row in site.logged()] == ["sign-in failed", "sign-in failed"]
    assert WRONG not in (site.folder / "access.log").read_text()


async def test_after_five_failures_even_the_right_password_has_to_wait_longer_each_time(
    site: Rig, http: httpx.AsyncClient
) -> None:
    for _ in range(5):
        assert (await _sign_in(http, "lead-1", WRONG)).status_code == 401
    assert (await _sign_in(http, "lead-1")).status_code == 429
    await site.clock.advance(15.1)
    assert (await _sign_in(http, "lead-1", WRONG)).status_code == 401
    await site.clock.advance(15.1)
    assert (await _sign_in(http, "lead-1")).status_code == 429, "the wait has doubled"
    await site.clock.advance(15.0)
    assert (await _sign_in(http, "lead-1")).status_code == 200


async def test_one_source_may_not_go_through_the_accounts_nor_one_account_be_tried_from_everywhere(site: Rig) -> None:
    async with site.client("192.0.2.1") as one:
        for number in range(5):
            assert (await _sign_in(one, f"name-{number}", WRONG)).status_code == 401
        assert (await _sign_in(one, "lead-1")).status_code == 429
    for number in range(5):
        async with site.client(f"198.51.100.{number}") as other:
            assert (await _sign_in(other, "viewer-1", WRONG)).status_code == 401
    async with site.client("203.0.113.9") as fresh:
        assert (await _sign_in(fresh, "viewer-1")).status_code == 429
        assert (await _sign_in(fresh, "operator-1")).status_code == 200


async def test_signing_in_well_many_times_from_one_place_is_no_failure(http: httpx.AsyncClient) -> None:
    for _ in range(4):
        await _sign_in(http, "viewer-1", WRONG)
    for _ in range(8):
        assert (await _sign_in(http, "operator-1")).status_code == 200
    assert (await _sign_in(http, "lead-1", WRONG)).status_code == 401
    assert (await _sign_in(http, "operator-1")).status_code == 429, "the fifth failure of this place"


async def test_many_tries_at_one_moment_count_one_by_one(site: Rig, http: httpx.AsyncClient) -> None:
    answers = await asyncio.gather(*(_sign_in(http, "lead-1", WRONG) for _ in range(12)))
    assert sum(answer.status_code == 401 for answer in answers) == 5
    assert sum(answer.status_code == 429 for answer in answers) == 7


async def test_a_session_ends_by_age_however_busy_it_is(site: Rig, http: httpx.AsyncClient) -> None:
    sent = site.signed_in(Role.OPERATOR)
    for _ in range(int(ABSOLUTE_S // 3_600) - 1):
        await site.clock.advance(3_600)
        assert (await http.post("/api/v1/session/here", headers=sent)).status_code == 204
    await site.clock.advance(3_600)
    assert (await http.get("/api/v1/session", headers=sent)).status_code == 401


@pytest.mark.parametrize(
    ("role", "idle_s"), [(Role.TECHNICIAN, IDLE_STRICT_S), (Role.ADMIN, IDLE_STRICT_S), (Role.VIEWER, IDLE_S)]
)
async def test_a_session_ends_when_its_person_does_nothing_and_what_the_page_asks_by_itself_is_nothing(
    site: Rig, http: httpx.AsyncClient, role: Role, idle_s: float
) -> None:
    sent = site.signed_in(role)
    await site.clock.advance(idle_s - 1)
    assert (await http.get("/api/v1/session", headers=sent)).status_code == 200
    await site.clock.advance(2)
    assert (await http.get("/api/v1/session", headers=sent)).status_code == 401
    assert "nothing done" in site.logged()[-2]["why"]


async def test_a_confirmation_holds_a_minute_for_one_act_of_one_session(site: Rig, http: httpx.AsyncClient) -> None:
    sent, other = site.signed_in(Role.TECHNICIAN), site.signed_in(Role.TECHNICIAN)
    session, bystander = (row.id for row in site.access.sessions.all())
    take = site.access.sessions.take_confirmation
    assert not take(session)
    assert (await http.post(CONFIRM, headers=sent, json={"password": WRONG})).status_code == 401
    assert not take(session)
    assert (await http.post(CONFIRM, headers=sent, json={"password": PASSWORD})).json() == {"confirmed": True}
    assert not take(bystander)
    assert take(session)
    assert not take(session), "it counts once"
    await http.post(CONFIRM, headers=sent, json={"password": PASSWORD})
    await site.clock.advance(CONFIRMED_S)
    assert not take(session), "it is over after a minute"
    assert not take(NOBODY)
    assert other != sent


@pytest.mark.parametrize("change", ["role", "password", "removed", "file gone"])
async def test_a_change_of_the_account_ends_its_sessions(site: Rig, http: httpx.AsyncClient, change: str) -> None:
    sent, bystander = site.signed_in(Role.OPERATOR), site.signed_in(Role.LEAD)
    file = AccountsFile(site.folder)
    account = site.access.book.account("operator-1")
    assert account is not None
    if change == "role":
        file.change(lambda book: book.with_account(replace(account, role=Role.VIEWER)))
    elif change == "password":
        file.change(lambda book: book.with_account(replace(account, hash="another")))
    elif change == "removed":
        file.change(lambda book: book.without_account("Operator-1"))
    else:
        file.path.unlink()
    assert (await http.get("/api/v1/session", headers=sent)).status_code == 401
    left = 401 if change == "file gone" else 200
    assert (await http.get("/api/v1/session", headers=bystander)).status_code == left


async def test_a_damaged_or_open_file_lets_in_nobody_new_and_locks_out_nobody(
    site: Rig, http: httpx.AsyncClient
) -> None:
    sent = site.signed_in(Role.OPERATOR)
    path = AccountsFile(site.folder).path
    path.write_text('{"accounts": [')
    assert (await http.get("/api/v1/session", headers=sent)).status_code == 200
    assert (await _sign_in(http, "lead-1")).status_code == 200


def _off_then_on(folder: Path) -> tuple[Access, bytes]:
    AccountsFile(folder).change(lambda _book: everybody())
    kept = AccountsFile(folder).path.read_bytes()
    AccountsFile(folder).path.unlink()
    return Access(ManualClock(), folder, None, CHEAP), kept


def _local(access: Access) -> Person:
    return access.identify("/api/v1/alarms/acknowledge", Headers({}), Caller("127.0.0.1", secure=False))


def test_with_accounts_off_everybody_is_the_local_operator_who_commands_nothing(tmp_path: Path) -> None:
    access, _ = _off_then_on(tmp_path)
    person = _local(access)
    assert (person.name, person.role, person.session) == ("local", Role.OPERATOR, digest(""))
    access.permit(person, "/api/v1/alarms/acknowledge")
    assert not person.may(Act.COMMAND)
    access.log.close()


async def test_making_the_first_account_closes_the_pages_that_were_open_to_everybody(tmp_path: Path) -> None:
    access, kept = _off_then_on(tmp_path)
    over = access.end_of(_local(access))
    assert (access.on, over.is_set()) == (False, False)
    AccountsFile(tmp_path).path.write_bytes(kept)
    AccountsFile(tmp_path).path.chmod(0o600)
    access.refresh()
    assert (access.on, over.is_set()) == (True, True)
    with pytest.raises(Problem, match="nobody is signed in"):
        _local(access)
    access.log.close()


async def test_an_open_socket_closes_when_its_session_ends(site: Rig) -> None:
    sent_by_page = site.signed_in(Role.VIEWER)
    told: asyncio.Queue[MutableMapping[str, Any]] = asyncio.Queue()
    heard: asyncio.Queue[MutableMapping[str, Any]] = asyncio.Queue()
    heard.put_nowait({"type": "websocket.connect"})

    async def serve() -> None:
        await site.application.guarded(socket_scope("/live", sent_by_page), heard.get, told.put)

    serving = asyncio.create_task(serve())
    assert (await told.get())["type"] == "websocket.accept"
    assert (await told.get())["type"] == "websocket.send"
    site.access.sessions.end(site.access.sessions.all()[0].id, "ended by a test")
    async with asyncio.timeout(5):
        while (closing := await told.get())["type"] != "websocket.close":
            pass
        await serving
    assert closing["code"] == CLOSE_SESSION_ENDED
    assert told.empty()


async def test_an_administrator_lists_and_ends_sessions_and_the_person_is_out_at_once(
    site: Rig, http: httpx.AsyncClient
) -> None:
    victim, admin = site.signed_in(Role.OPERATOR), site.signed_in(Role.ADMIN)
    site.signed_in(Role.OPERATOR)
    rows = (await http.get("/api/v1/sessions", headers=admin)).json()
    assert [(row["name"], row["source"]) for row in rows] == [
        ("operator-1", PEER), ("admin-1", PEER), ("operator-1", PEER)
    ]  # fmt: skip
    ended = await http.post("/api/v1/sessions/end", headers=admin, json={"session": rows[0]["session"]})
    assert ended.json() == {"ended": 1}
    assert (await http.get("/api/v1/session", headers=victim)).status_code == 401
    assert (await http.post("/api/v1/sessions/end", headers=admin, json={"name": "Operator-1"})).json() == {"ended": 1}
    assert (await http.post("/api/v1/sessions/end", headers=admin, json={"name": "operator-1"})).status_code == 404
    assert [row["why"] for row in site.logged() if row["act"] == "session ended"] == ["ended by admin-1"] * 2


async def test_a_person_changes_the_password_and_the_other_sessions_end(site: Rig, http: httpx.AsyncClient) -> None:
    mine, other = site.signed_in(Role.VIEWER), site.signed_in(Role.VIEWER)
    path, better = "/api/v1/session/password", "nine copper elbows drying"
    assert (await http.post(path, headers=mine, json={"old": WRONG, "new": better})).status_code == 401
    weak = await http.post(path, headers=mine, json={"old": PASSWORD, "new": "Viewer-1!"})
    assert (weak.status_code, "tried first" in weak.json()["detail"]) == (400, True)
    assert (await http.post(path, headers=mine, json={"old": PASSWORD, "new": better})).json() == {"changed": True}
    assert (await http.get("/api/v1/session", headers=mine)).status_code == 200
    assert (await http.get("/api/v1/session", headers=other)).status_code == 401
    assert (await _sign_in(http, "viewer-1")).status_code == 401
    assert (await _sign_in(http, "viewer-1", better)).status_code == 200


async def test_a_program_reads_with_its_key_and_nothing_else(site: Rig, http: httpx.AsyncClient) -> None:
    sent = {"authorization": f"Bearer {key_of(Role.VIEWER)}"}
    assert (await http.get("/api/v1/points", headers=sent)).status_code == 200
    assert (await http.get("/api/v1/session", headers=sent)).json()["name"] == "key:viewer-program"
    assert (await http.get("/api/v1/sessions", headers=sent)).status_code == 403
    acted = await http.post("/api/v1/alarms/acknowledge", headers=sent, json={"id": "a", "person": "x"})
    assert acted.status_code == 403
    assert (await site.socket("/live", sent))[0]["type"] == "websocket.accept", "it needs no Origin"
    AccountsFile(site.folder).change(lambda book: book.without_key("viewer-program"))
    assert (await http.get("/api/v1/points", headers=sent)).status_code == 401


async def test_the_wall_is_shown_to_anybody_only_where_that_was_configured(orchard: Plant, tmp_path: Path) -> None:
    paths = ("/wall", "/schematic.svg", "/api/v1/plant")
    for opened in (False, True):
        with rig(orchard, tmp_path, Terms(open_wall=opened)) as made:
            async with made.client() as http:
                for path in paths:
                    assert ((await http.get(path)).status_code == 200) is opened, path
                for path in ("/", "/alarms", "/m", "/m/now", "/api/v1/values", "/api/v1/history", "/_dash-layout"):
                    assert (await http.get(path)).status_code in {303, 401}, path
                first = (await made.socket("/live", {"origin": HOME}))[0]["type"]
                assert (first == "websocket.accept") is opened


async def test_a_page_without_a_session_leads_to_the_sign_in_and_back(site: Rig, http: httpx.AsyncClient) -> None:
    answer = await http.get("/trends?point=CH-1.load_pct")
    assert answer.status_code == 303
    shown = await http.get(answer.headers["location"])
    assert 'data-next="/trends?point=CH-1.load_pct"' in shown.text


async def test_whoever_is_signed_in_already_is_led_on(site: Rig, http: httpx.AsyncClient) -> None:
    answer = await http.get("/sign-in?next=%2Fpoints", headers=site.signed_in(Role.VIEWER))
    assert (answer.status_code, answer.headers["location"]) == (303, "/points")


@pytest.mark.parametrize(
    "wanted",
    [
        "https://evil.example/",
        "//evil.example/",
        "\\\\evil.example",
        "/\\evil.example",
        "javascript:alert(1)",
        "/nowhere",
        "",
    ],
)
async def test_the_sign_in_leads_to_no_other_site(http: httpx.AsyncClient, wanted: str) -> None:
    assert 'data-next="/"' in (await http.get("/sign-in", params={"next": wanted})).text


async def test_behind_a_gateway_only_the_gateway_is_believed_and_answered(orchard: Plant, tmp_path: Path) -> None:
    with rig(orchard, tmp_path, Terms(required=True, proxy="127.0.0.9")) as made:
        told = {"x-forwarded-for": "203.0.113.1, 198.51.100.4", "x-forwarded-proto": "https"}
        async with made.client("127.0.0.9") as gateway, made.client("192.0.2.66") as past:
            answer = await _sign_in(gateway, "viewer-1", **told)
            assert answer.status_code == 200
            assert "secure" in answer.headers["set-cookie"].lower().split("; ")
            assert made.access.sessions.all()[0].source == "198.51.100.4", "what the gateway itself added"
            assert (await past.get("/healthz", headers=told)).status_code == 403
            for lacking in ({}, {"x-forwarded-for": "203.0.113.1"}, {**told, "x-forwarded-proto": "http"}):
                assert (await gateway.get("/healthz", headers=lacking)).status_code == 403
            assert (await gateway.get("/healthz", headers={**told, "x-forwarded-for": "evil\x7f"})).status_code == 403


@pytest.mark.parametrize(
    ("peer", "proxy", "source"),
    [
        ("::ffff:192.0.2.9", "192.0.2.9", "198.51.100.4"),
        ("fe80::1", "FE80:0::1", "198.51.100.4"),
        ("::ffff:192.0.2.9", "", "192.0.2.9"),
    ],
)
def test_an_address_is_the_same_however_a_socket_writes_it(peer: str, proxy: str, source: str) -> None:
    told = Headers({"x-forwarded-for": "::ffff:198.51.100.4", "x-forwarded-proto": "https"})
    assert caller_of({"client": (peer, 1), "scheme": "http"}, told, proxy) == Caller(source, secure=bool(proxy))


async def test_what_peers_say_about_themselves_without_a_gateway_counts_nothing(
    site: Rig, http: httpx.AsyncClient
) -> None:
    answer = await _sign_in(http, "viewer-1", **{"x-forwarded-for": "127.0.0.1", "x-forwarded-proto": "https"})
    assert "secure" not in answer.headers["set-cookie"].lower().split("; ")
    assert site.access.sessions.all()[0].source == PEER


async def test_the_record_holds_no_control_character_and_no_secret_and_is_its_owners_alone(
    site: Rig, http: httpx.AsyncClient
) -> None:
    await http.post(BEGIN, headers=OWN_PAGE, json={"name": 'x\n{"act": "sign-in"}\x1b[2J\x7f\u2028', "password": WRONG})
    secret = _secret(await _sign_in(http, "lead-1"))
    raw = (site.folder / "access.log").read_bytes()
    assert all(32 <= byte < 127 or byte == 10 for byte in raw)
    assert len(raw.splitlines()) == len(site.logged()) == 2
    assert not any(hidden.encode() in raw for hidden in (PASSWORD, WRONG, secret, digest(secret)))
    assert stat.S_IMODE((site.folder / "access.log").stat().st_mode) == 0o600
    assert stat.S_IMODE((site.folder / "accounts.json").stat().st_mode) == 0o600
    assert PASSWORD not in (site.folder / "accounts.json").read_text()


async def test_a_flood_of_refusals_is_counted_instead_of_written(site: Rig, http: httpx.AsyncClient) -> None:
    for _ in range(150):
        await http.get("/api/v1/values")
    assert len(site.logged()) == 120
    await _sign_in(http, "lead-1")
    assert site.logged()[-1]["act"] == "sign-in"
    await site.clock.advance(61)
    await http.get("/api/v1/values")
    assert {"act": "refusals not written", "count": 30}.items() <= site.logged()[-2].items()


async def test_what_the_site_says_to_whoever_signs_in_stands_above_the_fields_and_is_no_markup(
    orchard: Plant, tmp_path: Path
) -> None:
    notice = "Staff of the plant only.\nActs are <b>recorded</b>."
    with rig(replace(orchard, sign_in_notice=notice), tmp_path) as made:
        async with made.client() as http:
            page = (await http.get("/sign-in")).text
    assert '<p id="notice" class="notice">Staff of the plant only.<br>Acts are &lt;b&gt;recorded&lt;/b&gt;.</p>' in page
    assert page.index('id="notice"') < page.index('id="password"')


async def test_without_a_notice_there_is_no_empty_box(http: httpx.AsyncClient) -> None:
    assert 'id="notice"' not in (await http.get("/sign-in")).text


def test_the_notice_stands_in_the_plant_description(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(CHECKOUT / "config" / "orchard", tmp_path / "orchard"))
    text = (folder / "plant.toml").read_text(encoding="utf-8")
    (folder / "plant.toml").write_text(text.replace("[plant]\n", '[plant]\nsign_in_notice = " Staff only. "\n', 1))
    assert load_plant(folder).sign_in_notice == "Staff only."
