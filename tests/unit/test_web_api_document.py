"""The API's description of itself: nothing missing, nothing invented, and nothing in it makes the server fail.

schemathesis makes the requests, well-formed and malformed, from the document; the application answers in this process.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import GenerationMode

from plantview.channel.client import ChannelClient
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.model.person import Role
from plantview.web import (
    alarm_api,
    api,
    commands_api,
    equipment_api,
    findings_api,
    past_api,
    past_package,
    performance_api,
    startup_api,
    trends_answers,
)
from plantview.web.access import sign_in
from plantview.web.access.accounts import AccountsFile
from plantview.web.access.gate import Access
from plantview.web.api_shapes import BODIES, QUERIES
from plantview.web.app import Application, build_application
from plantview.web.frame_view import FrameView
from plantview.web.hosts import allowed_hosts
from plantview.web.live import Live
from plantview.web.routes import ACCOUNT, API, DOCUMENT, POSTED, READ
from tests.unit.access_rig import CHEAP, HOME, PEER, TOKEN, everybody
from tests.unit.fake_field import FakeField

PLANT = load_plant(bundled("plants") / "orchard")
EXAMPLES = 12
"""Per route; the requests are the same at every run."""
NOT_ENDED = {f"{API}/session/end", f"{API}/sessions/end", f"{API}/session/password"}
"""Asked with a session of their own, which they may end."""


class Site:
    """A field process made of numbers, the application with accounts, and the one loop that both live in."""

    def __init__(self, folder: Path) -> None:
        self.loop = asyncio.new_event_loop()
        AccountsFile(folder).change(lambda _book: everybody())
        self.access = Access(ManualClock(), folder, None, CHEAP)
        self.application, self.field, self.http = self.loop.run_until_complete(self._started(folder))

    async def _started(self, folder: Path) -> tuple[Application, FakeField, httpx.AsyncClient]:
        (folder / "run").mkdir(mode=0o700)
        field = FakeField(PLANT, folder / "run" / "s.sock")
        await field.channel.start()
        field.greet()
        clock = ManualClock()
        view, complete = FrameView(PLANT, clock), asyncio.Event()

        def take(kind: str, body: dict[str, Any]) -> None:
            view.take(kind, body)
            if view.link().ok:
                complete.set()

        client = ChannelClient(field.channel.path, take)
        application = build_application(
            view, Live(view, clock), client, allowed_hosts("127.0.0.1", 8050), None, self.access
        )
        self.running = self.loop.create_task(client.run())
        await asyncio.wait_for(complete.wait(), 10)
        transport = httpx.ASGITransport(application.guarded, raise_app_exceptions=False, client=(PEER, 40_000))
        return application, field, httpx.AsyncClient(transport=transport, base_url=HOME)

    def sent_by(self, role: Role) -> dict[str, str]:
        account = self.access.book.account(f"{role}-1")
        assert account is not None
        secret, _ = self.access.sessions.open(account, PEER)
        cookie = f"{self.access.cookie}={secret}; _csrf_token={TOKEN}"
        return {"origin": HOME, "cookie": cookie, "x-csrftoken": TOKEN}

    def ask(self, method: str, path: str, **more: Any) -> httpx.Response:
        return self.loop.run_until_complete(self.http.request(method, path, **more))

    def close(self) -> None:
        self.running.cancel()
        self.loop.run_until_complete(asyncio.gather(self.running, return_exceptions=True))
        self.loop.run_until_complete(self.http.aclose())
        self.loop.run_until_complete(self.field.channel.stop())
        self.access.log.close()
        self.loop.close()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    made = Site(tmp_path_factory.mktemp("data"))
    yield made
    made.close()


@pytest.fixture(scope="module")
def document(site: Site) -> dict[str, Any]:
    answer = site.ask("GET", DOCUMENT, headers=site.sent_by(Role.VIEWER))
    assert answer.status_code == 200
    found: dict[str, Any] = answer.json()
    return found


def test_the_description_is_behind_the_guard(site: Site) -> None:
    assert site.ask("GET", DOCUMENT).status_code == 401


def test_every_route_of_the_api_is_described_with_its_method_and_words(document: dict[str, Any]) -> None:
    ours = {path for path in READ | POSTED if path.startswith(f"{API}/")}
    assert ours <= set(document["paths"])
    for path, methods in document["paths"].items():
        assert list(methods) == ["post" if path in POSTED else "get"], path
        assert all(len(operation["summary"]) > 20 for operation in methods.values()), f"{path} says what it does"


def test_what_is_described_is_served(document: dict[str, Any]) -> None:
    assert set(QUERIES) | set(BODIES) <= set(document["paths"])
    assert ACCOUNT not in document["paths"], "a page is no part of the API"


MODULES = (
    alarm_api, api, commands_api, equipment_api, findings_api, past_api, past_package, performance_api, sign_in, startup_api,
    trends_answers,
)  # fmt: skip


def test_parameters_are_those_that_the_code_asks_a_request_for() -> None:
    asked = re.compile(r"""\b\w+\((?:request|body), "(\w+)"|query_params\.get(?:list)?\("(\w+)"|body\.get\("(\w+)\"""")
    in_code = {
        next(filter(None, found))
        for module in MODULES
        for found in asked.findall(Path(str(module.__file__)).read_text(encoding="utf-8"))
    }
    in_code |= {"units", "person"}  # asked for by functions that several routes share
    described = {row["name"] for rows in QUERIES.values() for row in rows}
    described |= {name for body in BODIES.values() for name in body["properties"]}
    missing_pairs = {"id", "comment", "hand", "tolerance"}  # read in one line, as a table of fields
    assert in_code - described == set()
    assert described - in_code - missing_pairs == set()


def test_bounds_are_those_of_the_code(site: Site) -> None:
    sent = site.sent_by(Role.VIEWER)
    for path, rows in QUERIES.items():
        for row in rows:
            schema = row["schema"]
            beyond = schema.get("maximum", 0) + 1 if "maximum" in schema else None
            if beyond is not None:
                needed = {"point": next(iter(PLANT.points))} if path.endswith("history") else {}
                answer = site.ask("GET", path, headers=sent, params={**needed, row["name"]: beyond})
                assert answer.status_code == 400, (path, row["name"])


ROUTES = sorted(path for path in READ | POSTED if path.startswith(f"{API}/"))


@pytest.mark.parametrize("path", ROUTES)
def test_no_request_that_can_be_made_of_the_description_makes_the_server_fail(
    site: Site, document: dict[str, Any], path: str
) -> None:
    schema = schemathesis.openapi.from_dict(document)
    method = "POST" if path in POSTED else "GET"
    operation = schema[path][method]
    whole = site.sent_by(Role.ADMIN if "sessions" in path else Role.LEAD)
    asked = 0
    for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):

        @settings(
            derandomize=True,
            max_examples=EXAMPLES,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(generation_mode=mode))
        def tried(case: schemathesis.Case[Any]) -> None:
            nonlocal asked
            given_parts = case.as_transport_kwargs(base_url=HOME)
            sent = site.sent_by(Role.ADMIN) if path in NOT_ENDED else whole
            parts = {name: given_parts[name] for name in ("params", "json", "data", "content") if given_parts.get(name)}
            headers = {
                **{k: v for k, v in (given_parts.get("headers") or {}).items() if k.lower() == "content-type"},
                **sent,
            }
            if isinstance(parts.get("data"), bytes | str):
                parts["content"] = parts.pop("data")
            answer = site.ask(method, path, headers=headers, **parts)
            asked += 1
            assert answer.status_code < 500, (parts, answer.text)
            kind = answer.headers.get("content-type", "")
            assert answer.status_code < 400 or kind == "application/problem+json", (parts, answer.status_code)

        try:
            tried()
        except schemathesis.errors.SchemathesisError:
            assert mode is GenerationMode.NEGATIVE, "what takes nothing cannot be asked for anything wrong"
    assert asked >= 1
