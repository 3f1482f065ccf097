"""Every route there is, tried by everybody who must not: the table is walked, so that a new route cannot be forgotten."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Iterator
from typing import Any

import httpx
import pytest

from plantview.model.person import MAY, Act, Role
from plantview.model.plant import Plant
from plantview.web import routes
from plantview.web.access.accounts import KEY_ROLES
from plantview.web.access.gate import Terms
from plantview.web.access.permits import ACTS, FOR_PROGRAMS, act_of, is_open
from tests.unit.access_rig import HOME, OTHER_SITE, PASSWORD, TOKEN, Rig, key_of, rig

BELOW = ("x.js",)
PATHS = sorted({*routes.READ, *routes.POSTED, *(start + name for start in routes.READ_BELOW for name in BELOW)})
GUARDED = [path for path in PATHS if not is_open(path)]
OWN_PAGE = {"origin": HOME, "cookie": f"_csrf_token={TOKEN}", "x-csrftoken": TOKEN}
SENT_ELSEWHERE = {303, 401}
"""What a page and what everything else answers to nobody."""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, orchard: Plant) -> Iterator[Rig]:
    with rig(orchard, tmp_path_factory.mktemp("data"), Terms(openmetrics=True)) as made:
        yield made


@pytest.fixture
async def http(site: Rig) -> AsyncIterator[httpx.AsyncClient]:
    await site.clock.advance(61)  # a new minute for the refusals that are written
    (site.folder / "access.log").write_text("")
    async with site.client() as client:
        yield client


def method_of(path: str) -> str:
    return routes.allowed_methods(path)[0]


def _paths(served: Iterable[Any]) -> Iterator[str]:
    """Paths of an application; FastAPI keeps those of an included router within it."""
    for route in served:
        yield getattr(route, "path", "")
        yield from _paths(getattr(getattr(route, "original_router", None), "routes", ()))


async def ask(http: httpx.AsyncClient, path: str, headers: dict[str, str]) -> httpx.Response:
    body = b"{}" if method_of(path) == "POST" else b""
    return await http.request(method_of(path), path, headers=headers, content=body)


def test_there_are_routes_and_each_of_the_application_is_in_the_table(site: Rig) -> None:
    served = set(_paths(site.application.dash.server.routes))
    ours = {path for path in served if path and "{" not in path and not path.startswith("/_")}
    assert len(PATHS) > 30
    assert {routes.SESSION_BEGIN, routes.WALL, routes.ALARM_ACT} <= ours
    folders = {start.rstrip("/") for start in routes.READ_BELOW}
    assert ours - set(PATHS) - folders - {routes.LIVE} == set()


def test_every_posted_route_names_the_act_it_needs() -> None:
    unnamed = {path for path in routes.POSTED if act_of(path) is None and not is_open(path)}
    assert unnamed == set(), "a line in web/access/permits.py says which role may"
    gone = {path for path in ACTS if not path.endswith("/") and not routes.allowed_methods(path)}
    assert gone == set(), "these lines name no route any more"


@pytest.mark.parametrize("path", GUARDED)
async def test_without_a_session_nothing_is_answered(site: Rig, http: httpx.AsyncClient, path: str) -> None:
    attempts = {
        "nothing": OWN_PAGE,
        "made-up session": site.sent("a" * 43),
        "forged key": {"authorization": "Bearer " + "k" * 43},
        "empty key": {"authorization": "Bearer "},
        "password as key": {"authorization": f"Basic {PASSWORD}"},
        "key of another kind": {"authorization": f"Basic {key_of(Role.VIEWER)}"},
    }
    for name, headers in attempts.items():
        answer = await ask(http, path, headers)
        assert answer.status_code in SENT_ELSEWHERE, name
        assert answer.status_code == 401 or answer.headers["location"].startswith("/sign-in?next=")
    lines = [row for row in site.logged() if row["act"] == "refused"]
    assert len(lines) == len(attempts)
    assert {(row["path"], row["status"]) for row in lines} == {(path, 401)}


@pytest.mark.parametrize("path", GUARDED)
async def test_with_a_role_that_does_not_reach_nothing_is_done(site: Rig, http: httpx.AsyncClient, path: str) -> None:
    act = act_of(path)
    assert act is not None
    wrong = [role for role in Role if role not in MAY[act]]
    for role in wrong:
        answer = await ask(http, path, site.signed_in(role))
        assert answer.status_code == 403, role
    programs = [role for role in KEY_ROLES if role not in MAY[act] or act not in FOR_PROGRAMS]
    for role in programs:
        answer = await ask(http, path, {"authorization": f"Bearer {key_of(role)}"})
        assert answer.status_code == 403, role
    lines = [row for row in site.logged() if row["act"] == "refused"]
    assert [row["status"] for row in lines] == [403] * len([*wrong, *programs])
    assert {row["name"] for row in lines} == {
        *(f"{role}-1" for role in wrong),
        *(f"key:{role}-program" for role in programs),
    }


@pytest.mark.parametrize("path", sorted(routes.POSTED))
async def test_a_signed_in_browser_that_another_site_makes_act_is_refused(
    site: Rig, http: httpx.AsyncClient, path: str
) -> None:
    act = act_of(path) or Act.SEE
    whole = site.signed_in(min(MAY[act]))
    attempts: list[dict[str, str]] = [
        {**whole, "origin": OTHER_SITE},
        {**whole, "origin": "null"},
        {name: value for name, value in whole.items() if name != "origin"},
        {name: value for name, value in whole.items() if name != "x-csrftoken"},
        {**whole, "x-csrftoken": "u" * 43},
        {**whole, "host": "evil.example"},
    ]
    assert [(await ask(http, path, headers)).status_code for headers in attempts] == [403] * 5 + [400]
    lines = [row for row in site.logged() if row["act"] == "refused"]
    assert [row["status"] for row in lines] == [403] * 5 + [400]


@pytest.mark.parametrize("path", [routes.LIVE, "/_dash-ws-callback", "/", "/elsewhere"])
async def test_a_socket_without_a_session_or_from_another_site_never_opens(
    site: Rig, http: httpx.AsyncClient, path: str
) -> None:
    whole = site.signed_in(Role.VIEWER)
    attempts: list[dict[str, str]] = [
        {},
        {"origin": HOME},
        {"origin": HOME, "cookie": f"{site.access.cookie}=forged"},
        {"authorization": "Bearer forged"},
        {**whole, "origin": OTHER_SITE},
        {**whole, "host": "evil.example"},
        {"cookie": whole["cookie"]},
    ]
    for headers in attempts:
        assert [message["type"] for message in await site.socket(path, headers)] == ["websocket.close"]
    assert len([row for row in site.logged() if row["act"] == "refused"]) == len(attempts)
    if path == routes.LIVE:
        assert (await site.socket(path, whole))[0]["type"] == "websocket.accept"


def _callback(**changes: Any) -> dict[str, Any]:
    body = {
        "output": "page.children",
        "outputs": {"id": "page", "property": "children"},
        "changedPropIds": ["location.pathname"],
        "inputs": [{"id": "location", "property": "pathname", "value": "/alarms"}],
    }
    return {**body, **changes}


TAMPERED = {
    "another output": _callback(output="shell.children", outputs={"id": "shell", "property": "children"}),
    "output of two": _callback(output="..page.children...shell.children.."),
    "another input": _callback(inputs=[{"id": "role", "property": "data", "value": "admin"}]),
    "no inputs": _callback(inputs=[]),
    "too many inputs": _callback(inputs=_callback()["inputs"] * 3),
    "inputs that are no list": _callback(inputs={"id": "location"}),
    "a state nobody declared": _callback(state=[{"id": "role", "property": "data", "value": "admin"}]),
    "no output": {"inputs": []},
    "nothing": {},
}


@pytest.mark.parametrize("name", TAMPERED)
async def test_a_tampered_callback_reveals_nothing_and_is_no_failure_of_the_server(
    site: Rig, http: httpx.AsyncClient, name: str
) -> None:
    answer = await http.post(routes.CALLBACK, headers=site.signed_in(Role.VIEWER), json=TAMPERED[name])
    assert answer.status_code == 400
    assert [row["status"] for row in site.logged() if row["act"] == "refused"] == [400]


@pytest.mark.parametrize("value", [{"role": "admin"}, ["/alarms"], 7, None, "/alarms/../account", "x" * 10_000])
async def test_a_callback_takes_its_input_for_a_page_name_and_nothing_more(
    site: Rig, http: httpx.AsyncClient, value: object
) -> None:
    body = _callback(inputs=[{"id": "location", "property": "pathname", "value": value}])
    answer = await http.post(routes.CALLBACK, headers=site.signed_in(Role.VIEWER), json=body)
    assert (answer.status_code, "There is no such page." in answer.text) == (200, True)


@pytest.mark.parametrize(
    "path", ["/openapi.json", "/docs", "/api/v1/", "/api/v1/session/", "/account/x", "/Account", "//account"]
)
async def test_what_is_not_in_the_table_is_404_for_everybody(site: Rig, http: httpx.AsyncClient, path: str) -> None:
    for headers in ({}, site.signed_in(Role.ADMIN)):
        assert (await http.get(f"http://127.0.0.1:8050{path}", headers=headers)).status_code == 404
