"""The guard around the whole web application, asked in-process over ASGI."""

from __future__ import annotations

import inspect
from collections.abc import AsyncIterator, MutableMapping
from pathlib import Path
from typing import Any

import httpx
import pytest

from plantview.channel.client import ChannelClient
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.web.app import Application, build_application
from plantview.web.frame_view import FrameView
from plantview.web.guard import BODY_BYTES_MAX
from plantview.web.hosts import allowed_hosts
from plantview.web.live import Live
from plantview.web.routes import PAGES

HOME = "http://127.0.0.1:8050"
OTHER_SITE = "http://evil.example"
TOKEN = "t" * 43
WITH_TOKEN = {"origin": HOME, "cookie": f"_csrf_token={TOKEN}", "x-csrftoken": TOKEN}
SHOW_PAGE = {
    "output": "page.children",
    "outputs": {"id": "page", "property": "children"},
    "changedPropIds": ["location.pathname"],
    "inputs": [{"id": "location", "property": "pathname", "value": "/alarms"}],
}


@pytest.fixture(scope="module")
def application() -> Application:
    view = FrameView(load_plant(bundled("plants") / "orchard"), ManualClock())
    client = ChannelClient(Path("/nowhere/s.sock"), lambda _kind, _body: None)
    return build_application(view, Live(view, ManualClock()), client, allowed_hosts("127.0.0.1", 8050))


@pytest.fixture
async def http(application: Application) -> AsyncIterator[httpx.AsyncClient]:
    async with httpx.AsyncClient(transport=httpx.ASGITransport(application.guarded), base_url=HOME) as client:
        yield client


@pytest.mark.parametrize("host", ["127.0.0.1:8050", "localhost:8050", "[::1]:8050", "LOCALHOST:8050"])
async def test_the_names_of_this_computer_are_answered(http: httpx.AsyncClient, host: str) -> None:
    assert (await http.get("/healthz", headers={"host": host})).status_code == 200


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8050", "127.0.0.1:80", "127.0.0.1", "127.0.0.1:8050.evil.example", ""]
)
async def test_a_foreign_host_name_is_refused_for_every_path(http: httpx.AsyncClient, host: str) -> None:
    for path in ("/", "/healthz", "/api/v1/values", "/assets/pages.js", "/_dash-layout", "/foo"):
        answer = await http.get(path, headers={"host": host})
        assert answer.status_code == 400, path
        assert answer.json()["remedy"]


def test_a_configured_name_and_numeric_addresses_of_an_open_bind_are_allowed() -> None:
    named = allowed_hosts("192.168.10.5", 8050, ["plant.example", "outside.example:443"])
    assert named.allows("192.168.10.5:8050")
    assert named.allows("plant.example:8050")
    assert named.allows("outside.example:443")
    assert not named.allows("192.168.10.6:8050")
    every = allowed_hosts("0.0.0.0", 8050)
    assert every.allows("192.168.10.6:8050")
    assert every.allows("[fe80::1]:8050")
    assert not every.allows("192.168.10.6:9999")
    assert not every.allows("evil.example:8050")
    assert allowed_hosts("127.0.0.1", 80).allows("localhost")


@pytest.mark.parametrize(
    "path",
    [
        "/foo",
        "/health",
        "/docs",
        "/redoc",
        "/openapi.json",
        "/_dash-ws-callback",
        "/_reload-hash",
        "/api/v1/",
        "/alarms/",
    ],
)
async def test_a_path_that_does_not_exist_is_404_and_no_page(http: httpx.AsyncClient, path: str) -> None:
    answer = await http.get(path)
    assert answer.status_code == 404
    assert "DashRenderer" not in answer.text


@pytest.mark.parametrize("path", list(PAGES))
async def test_every_page_opens_and_head_has_the_same_status(http: httpx.AsyncClient, path: str) -> None:
    answer = await http.get(path)
    assert answer.status_code == 200
    assert '<html lang="en"' in answer.text
    assert (await http.head(path)).status_code == 200


@pytest.mark.parametrize("path", ["/", "/healthz", "/assets/pages.js", "/_dash-layout", "/foo", "/api/v1/values"])
async def test_every_answer_carries_the_policy_and_its_companions(http: httpx.AsyncClient, path: str) -> None:
    headers = (await http.get(path)).headers
    policy = headers["content-security-policy"]
    script = next(part for part in policy.split("; ") if part.startswith("script-src"))
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "'unsafe-inline'" not in script
    assert "'unsafe-eval'" not in policy
    assert script.startswith("script-src 'self' 'sha256-")
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cache-control"] in {"no-store", "no-cache"}


async def test_the_policy_names_the_hash_of_every_inline_script_of_the_page(http: httpx.AsyncClient) -> None:
    import base64
    import hashlib
    import re

    answer = await http.get("/")
    inline = re.findall(r"<script(?![^>]*(?:src=|application/json))[^>]*>(.*?)</script>", answer.text, re.DOTALL)
    assert inline
    for text in inline:
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in answer.headers["content-security-policy"]


async def test_a_page_sets_the_token_once_and_keeps_a_good_one(http: httpx.AsyncClient) -> None:
    first = await http.get("/")
    cookie = first.headers["set-cookie"]
    assert cookie.startswith("_csrf_token=")
    assert "SameSite=Strict" in cookie
    again = await http.get("/", headers={"cookie": cookie.partition(";")[0]})
    assert "set-cookie" not in again.headers
    assert "set-cookie" in (await http.get("/", headers={"cookie": "_csrf_token=short"})).headers


@pytest.mark.parametrize("path", ["/api/v1/alarms/acknowledge", "/_dash-update-component"])
@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": HOME},
        {"origin": HOME, "cookie": f"_csrf_token={TOKEN}"},
        {"origin": HOME, "x-csrftoken": TOKEN},
        {"origin": HOME, "cookie": f"_csrf_token={TOKEN}", "x-csrftoken": "u" * 43},
        {"origin": HOME, "cookie": "_csrf_token=", "x-csrftoken": ""},
        {**WITH_TOKEN, "origin": OTHER_SITE},
        {**WITH_TOKEN, "origin": "null"},
        {**WITH_TOKEN, "origin": "http://127.0.0.1:9999"},
        {key: value for key, value in WITH_TOKEN.items() if key != "origin"},
    ],
)
async def test_a_post_without_our_origin_and_token_is_refused(
    http: httpx.AsyncClient, path: str, headers: dict[str, str]
) -> None:
    answer = await http.post(path, headers=headers, json={"id": "a", "person": "MK"})
    assert answer.status_code == 403
    assert answer.headers["content-type"] == "application/problem+json"


async def test_a_page_is_drawn_for_a_post_with_origin_and_token(http: httpx.AsyncClient) -> None:
    answer = await http.post("/_dash-update-component", headers=WITH_TOKEN, json=SHOW_PAGE)
    assert answer.status_code == 200
    assert "Active and unacknowledged alarms" in answer.text


@pytest.mark.parametrize("value", ["/nowhere", None, 7, {"a": 1}, "../../etc/passwd"])
async def test_a_forged_page_name_draws_nothing_harmful(http: httpx.AsyncClient, value: object) -> None:
    body = {**SHOW_PAGE, "inputs": [{"id": "location", "property": "pathname", "value": value}]}
    answer = await http.post("/_dash-update-component", headers=WITH_TOKEN, json=body)
    assert answer.status_code == 200
    assert "There is no such page." in answer.text


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
async def test_other_methods_are_refused(http: httpx.AsyncClient, method: str) -> None:
    for path in ("/", "/api/v1/values", "/api/v1/alarms/acknowledge"):
        assert (await http.request(method, path, headers=WITH_TOKEN)).status_code == 405
    assert (await http.post("/api/v1/values", headers=WITH_TOKEN)).status_code == 405
    assert (await http.get("/api/v1/alarms/acknowledge")).status_code == 405


async def test_a_body_above_the_bound_is_refused_announced_or_not(http: httpx.AsyncClient) -> None:
    big = b"x" * (BODY_BYTES_MAX + 1)

    async def unannounced() -> AsyncIterator[bytes]:
        for start in range(0, len(big), 1_000):
            yield big[start : start + 1_000]

    path = "/api/v1/alarms/acknowledge"
    assert (await http.post(path, headers=WITH_TOKEN, content=big)).status_code == 413
    assert (await http.post(path, headers=WITH_TOKEN, content=unannounced())).status_code == 413
    assert (await http.post(path, headers={**WITH_TOKEN, "content-length": "many"}, content=b"{}")).status_code == 413


async def _open_socket(application: Application, path: str, **headers: str) -> list[MutableMapping[str, Any]]:
    sent: list[MutableMapping[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "websocket.connect"} if not sent else {"type": "websocket.disconnect", "code": 1000}

    async def send(message: MutableMapping[str, Any]) -> None:
        sent.append(message)

    raw = [(name.encode(), value.encode()) for name, value in headers.items()]
    scope = {
        "type": "websocket",
        "path": path,
        "raw_path": path.encode(),
        "headers": raw,
        "query_string": b"",
        "subprotocols": [],
    }
    await application.guarded(scope, receive, send)
    return sent


@pytest.mark.parametrize(
    ("path", "headers"),
    [
        ("/live", {"host": "127.0.0.1:8050"}),
        ("/live", {"host": "127.0.0.1:8050", "origin": OTHER_SITE}),
        ("/live", {"host": "evil.example", "origin": HOME}),
        ("/_dash-ws-callback", {"host": "127.0.0.1:8050", "origin": HOME}),
        ("/", {"host": "127.0.0.1:8050", "origin": HOME}),
    ],
)
async def test_a_socket_of_a_foreign_page_or_elsewhere_is_closed_before_it_opens(
    application: Application, path: str, headers: dict[str, str]
) -> None:
    sent = await _open_socket(application, path, **headers)
    assert [message["type"] for message in sent] == ["websocket.close"]


async def test_the_live_socket_opens_for_our_own_page(application: Application) -> None:
    sent = await _open_socket(application, "/live", host="127.0.0.1:8050", origin=HOME)
    assert sent[0]["type"] == "websocket.accept"


def test_every_callback_is_a_coroutine_function_so_that_none_can_stop_the_pages(application: Application) -> None:
    callbacks = [entry["callback"] for entry in application.dash.callback_map.values()]
    assert callbacks
    for callback in callbacks:
        assert inspect.iscoroutinefunction(inspect.unwrap(callback))
        assert inspect.iscoroutinefunction(callback)


async def test_no_script_or_style_comes_from_another_host(http: httpx.AsyncClient) -> None:
    import re

    for path in PAGES:
        text = (await http.get(path)).text
        links = re.findall(r"<(?:script|link|img)[^>]*(?:src|href)=\"([^\"]+)\"", text)
        assert links
        assert all(link.startswith("/") and not link.startswith("//") for link in links)


@pytest.mark.parametrize(
    "body",
    [b"", b"garbage", b"[]", b"{}", b'{"output": "x.y", "inputs": []}', b'{"output": "page.children", "inputs": []}'],
)
async def test_a_forged_callback_is_the_callers_fault(http: httpx.AsyncClient, body: bytes) -> None:
    for kind in ("application/json", "text/plain"):
        answer = await http.post("/_dash-update-component", headers={**WITH_TOKEN, "content-type": kind}, content=body)
        assert answer.status_code == 400
        assert answer.json()["remedy"] == "reload the page"


@pytest.mark.parametrize(
    "path",
    [
        "/_dash-component-suites/os/os.py",
        "/_dash-component-suites/x/y.js",
        "/assets/..%2f..%2fpyproject.toml",
        "/assets/",
    ],
)
async def test_files_that_are_not_ours_to_show_are_404(http: httpx.AsyncClient, path: str) -> None:
    assert (await http.get(path)).status_code == 404
