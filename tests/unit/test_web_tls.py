"""Pages and live socket over TLS, on loopback with a self-made certificate: encrypted, or not answered at all."""

from __future__ import annotations

import asyncio
import contextlib
import json
import ssl
import warnings
import zlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from websockets.asyncio.client import connect
from websockets.exceptions import InvalidStatus

from plantview.clock import SystemClock
from plantview.model.plant import Plant
from plantview.web.access import Access
from plantview.web.access.accounts import AccountsFile
from plantview.web.access.gate import Terms
from plantview.web.server import Entry, listen, serve_on
from plantview.web.sockets import CLOSE_SESSION_ENDED
from tests.unit.access_rig import CHEAP, PASSWORD, TOKEN, everybody
from tests.unit.fake_field import FakeField
from tests.unit.loopback_certificate import trusting, written

WITHIN_S = 15.0


@dataclass
class Served:
    port: int
    access: Access

    @property
    def url(self) -> str:
        return f"https://127.0.0.1:{self.port}"

    def client(self) -> httpx.AsyncClient:
        return httpx.AsyncClient(base_url=self.url, verify=trusting(), timeout=WITHIN_S)


@pytest.fixture
async def served(orchard: Plant, tmp_path: Path) -> AsyncIterator[Served]:
    """Serve as ``--tls-cert`` does beyond this computer: accounts must be on."""
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    field = FakeField(orchard, folder / "s.sock")
    await field.channel.start()
    field.greet()
    AccountsFile(tmp_path).change(lambda _book: everybody())
    access = Access(SystemClock(), tmp_path, Terms(required=True), CHEAP)
    stop, ready = asyncio.Event(), asyncio.Event()
    with listen("127.0.0.1", 0) as listener:
        entry = Entry(access, (), *written(tmp_path))
        serving = asyncio.create_task(
            serve_on(
                listener,
                orchard,
                folder / "s.sock",
                "127.0.0.1",
                stop=stop,
                ready=ready.set,
                data=tmp_path,
                entry=entry,
            )
        )
        await asyncio.wait_for(ready.wait(), WITHIN_S)
        yield Served(listener.getsockname()[1], access)
        stop.set()
        await serving
    await field.channel.stop()


async def signed_in(client: httpx.AsyncClient, served: Served) -> str:
    """Sign in as a browser does; return the cookie that it then sends."""
    headers = {"origin": served.url, "cookie": f"_csrf_token={TOKEN}", "x-csrftoken": TOKEN}
    body = {"name": "operator-1", "password": PASSWORD}
    answer = await client.post("/api/v1/session/begin", headers=headers, json=body)
    assert answer.status_code == 200, answer.text
    parts = answer.headers["set-cookie"].split("; ")
    assert {"Secure", "HttpOnly"} <= set(parts)
    return str(parts[0])


async def test_people_sign_in_and_the_live_socket_opens_over_tls(served: Served) -> None:
    async with served.client() as client:
        page = await client.get("/sign-in")
        assert page.status_code == 200
        assert "Secure" in page.headers["set-cookie"]
        cookie = await signed_in(client, served)
    wss = f"wss://127.0.0.1:{served.port}/live"
    sent = {"Cookie": cookie}
    async with connect(wss, ssl=trusting(), origin=served.url, additional_headers=sent, max_size=None) as live:  # type: ignore[arg-type]
        raw = await asyncio.wait_for(live.recv(), WITHIN_S)
        told = json.loads(zlib.decompress(raw) if isinstance(raw, bytes) else raw)
        assert told["kind"] == "snapshot"
        assert "CH-1.power" in told["signals"]
        served.access.sessions.end_all("operator-1", "test")
        await asyncio.wait_for(live.wait_closed(), WITHIN_S)
        assert live.close_code == CLOSE_SESSION_ENDED


@pytest.mark.parametrize(("origin", "cookie"), [("http", True), ("https", False), ("evil", True)])
async def test_a_socket_from_elsewhere_or_without_a_session_does_not_open(
    served: Served, origin: str, cookie: bool
) -> None:
    async with served.client() as client:
        sent = {"Cookie": await signed_in(client, served)} if cookie else {}
    named = {"http": f"http://127.0.0.1:{served.port + 1}", "https": served.url, "evil": "https://evil.example"}[origin]
    wss = f"wss://127.0.0.1:{served.port}/live"
    with pytest.raises(InvalidStatus) as refused:
        await connect(wss, ssl=trusting(), origin=named, additional_headers=sent)  # type: ignore[arg-type]
    assert refused.value.response.status_code == 403


async def test_whoever_does_not_encrypt_or_does_not_know_the_certificate_gets_no_answer(served: Served) -> None:
    async with httpx.AsyncClient(timeout=WITHIN_S) as plain:
        with pytest.raises(httpx.TransportError):
            await plain.get(f"http://127.0.0.1:{served.port}/healthz")
    async with httpx.AsyncClient(timeout=WITHIN_S) as stranger:
        with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
            await stranger.get(f"{served.url}/healthz")


@pytest.mark.parametrize(
    ("version", "talks"),
    [(ssl.TLSVersion.TLSv1_1, False), (ssl.TLSVersion.TLSv1_2, True), (ssl.TLSVersion.TLSv1_3, True)],
)
async def test_versions_of_tls_that_are_withdrawn_are_not_spoken(
    served: Served, version: ssl.TLSVersion, talks: bool
) -> None:
    """RFC 8996 withdrew 1.0 and 1.1."""
    context = trusting()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # asking for an old one is the point
        context.set_ciphers("ALL:@SECLEVEL=0")
        context.minimum_version, context.maximum_version = ssl.TLSVersion.MINIMUM_SUPPORTED, version
    opening = asyncio.open_connection("127.0.0.1", served.port, ssl=context)
    if not talks:
        with pytest.raises((ssl.SSLError, ConnectionError)):
            await asyncio.wait_for(opening, WITHIN_S)
        return
    _, writer = await asyncio.wait_for(opening, WITHIN_S)
    assert writer.get_extra_info("ssl_object").version() == version.name.replace("_", ".")
    writer.close()
    with contextlib.suppress(ConnectionError):  # the server may hang up first
        await writer.wait_closed()
