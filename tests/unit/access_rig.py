"""A guarded application with accounts, asked over ASGI: one person per role, one key per role that a key may have."""

from __future__ import annotations

import json
from collections.abc import Iterator, MutableMapping
from contextlib import contextmanager
from dataclasses import dataclass
from http.cookiejar import DefaultCookiePolicy
from pathlib import Path
from typing import Any

import httpx
from argon2 import PasswordHasher

from plantview.channel.client import ChannelClient
from plantview.clock import ManualClock
from plantview.model.person import Role
from plantview.model.plant import Plant
from plantview.web.access.accounts import KEY_ROLES, Account, AccountsFile, Book, Key
from plantview.web.access.gate import Access, Terms
from plantview.web.access.passwords import Hashing, digest
from plantview.web.app import Application, build_application
from plantview.web.frame_view import FrameView
from plantview.web.hosts import allowed_hosts
from plantview.web.live import Live

HOME = "http://127.0.0.1:8050"
OTHER_SITE = "http://evil.example"
TOKEN = "t" * 43
PASSWORD = "gravel tulip window seven"  # noqa: S105 -- of people who exist in tests only
PEER = "192.0.2.7"
CHEAP = Hashing(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
"""The real library at its smallest: the tests are about who gets in, not about how long guessing takes."""
KEPT = CHEAP.hash(PASSWORD)
MADE_MS = 1_764_000_000_000


def key_of(role: Role) -> str:
    return f"key-of-{role}-" + "k" * 32


@dataclass
class Rig:
    application: Application
    access: Access
    clock: ManualClock
    folder: Path

    def client(self, peer: str = PEER) -> httpx.AsyncClient:
        transport = httpx.ASGITransport(self.application.guarded, client=(peer, 40_000))
        client = httpx.AsyncClient(transport=transport, base_url=HOME)
        # each test says itself which cookies a browser would send
        client.cookies.jar.set_policy(DefaultCookiePolicy(allowed_domains=[]))
        return client

    def signed_in(self, role: Role) -> dict[str, str]:
        """Open a session and return what a browser on one of our pages sends."""
        account = self.access.book.account(f"{role}-1")
        assert account is not None
        secret, _ = self.access.sessions.open(account, PEER)
        return self.sent(secret)

    def sent(self, secret: str) -> dict[str, str]:
        cookie = f"{self.access.cookie}={secret}; _csrf_token={TOKEN}"
        return {"origin": HOME, "cookie": cookie, "x-csrftoken": TOKEN}

    def logged(self) -> list[dict[str, Any]]:
        text = (self.folder / "access.log").read_text(encoding="utf-8")
        return [json.loads(line) for line in text.splitlines()]

    async def socket(self, path: str, headers: dict[str, str]) -> list[MutableMapping[str, Any]]:
        """Open a socket, leave at once, and return what was sent."""
        sent: list[MutableMapping[str, Any]] = []

        async def receive() -> dict[str, Any]:
            return {"type": "websocket.connect"} if not sent else {"type": "websocket.disconnect", "code": 1000}

        async def send(message: MutableMapping[str, Any]) -> None:
            sent.append(message)

        await self.application.guarded(socket_scope(path, headers), receive, send)
        return sent


def socket_scope(path: str, headers: dict[str, str]) -> dict[str, Any]:
    raw = [(name.encode(), value.encode()) for name, value in {"host": "127.0.0.1:8050", **headers}.items()]
    return {
        "type": "websocket",
        "path": path,
        "raw_path": path.encode(),
        "headers": raw,
        "query_string": b"",
        "subprotocols": [],
        "client": (PEER, 40_000),
    }


def everybody() -> Book:
    people = [Account(f"{role}-1", role, KEPT, MADE_MS) for role in Role]
    keys = [Key(f"{role}-program", role, digest(key_of(role)), MADE_MS) for role in KEY_ROLES]
    return Book({row.name: row for row in people}, {row.name: row for row in keys})


@contextmanager
def rig(plant: Plant, folder: Path, terms: Terms | None = None) -> Iterator[Rig]:
    """Build it; nothing runs but what a request causes."""
    AccountsFile(folder).change(lambda _book: everybody())
    clock = ManualClock()
    access = Access(clock, folder, terms, CHEAP)
    view = FrameView(plant, clock)
    client = ChannelClient(Path("/nowhere/s.sock"), lambda _kind, _body: None)
    hosts = allowed_hosts("127.0.0.1", 8050)
    yield Rig(build_application(view, Live(view, clock), client, hosts, folder, access), access, clock, folder)
    access.log.close()
