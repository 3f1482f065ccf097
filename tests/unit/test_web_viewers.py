"""Viewers of the real live socket: one that vanishes, one that reads nothing, and what either costs the others."""

from __future__ import annotations

import asyncio
import base64
import secrets
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import websockets

from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.web import server
from plantview.web.live import Live
from tests.unit.fake_field import FakeField
from tests.unit.live_words import read

PLANT = load_plant(bundled("plants") / "orchard")
POINT = "CH-1.chws_temp"


@dataclass
class Site:
    """One web process in this process, on a real port."""

    field: FakeField
    live: Live
    port: int

    @property
    def origin(self) -> websockets.Origin:
        """Return where our own pages come from."""
        return websockets.Origin(f"http://127.0.0.1:{self.port}")

    def viewer(self, query: str = "") -> websockets.connect:
        """Return a viewer that behaves."""
        return websockets.connect(f"ws://127.0.0.1:{self.port}/live{query}", origin=self.origin, max_size=2**22)

    async def silent(self) -> asyncio.StreamWriter:
        """Open a viewer that reads only the beginning of what it is sent and then nothing, as one behind a dead link."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port, limit=1_024)
        key = base64.b64encode(secrets.token_bytes(16)).decode()
        writer.write(
            f"GET /live HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\nOrigin: {self.origin}\r\nUpgrade: websocket\r\n"
            f"Connection: Upgrade\r\nSec-WebSocket-Key: {key}\r\nSec-WebSocket-Version: 13\r\n\r\n".encode()
        )
        assert b" 101 " in await reader.readline()
        await reader.readuntil(b"\r\n\r\n")
        await reader.readexactly(2)  # it is served
        return writer


@asynccontextmanager
async def _served(folder: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Site]:
    folder.mkdir(mode=0o700)
    field = FakeField(PLANT, folder / "s.sock")
    await field.channel.start()
    field.greet()
    made: list[Live] = []

    def kept(*arguments: object) -> Live:
        made.append(Live(*arguments))  # type: ignore[arg-type]
        return made[-1]

    monkeypatch.setattr(server, "Live", kept)
    stop, ready = asyncio.Event(), asyncio.Event()
    with server.listen("127.0.0.1", 0) as listener:
        serving = asyncio.create_task(
            server.serve_on(listener, PLANT, field.channel.path, "127.0.0.1", stop=stop, ready=ready.set)
        )
        await ready.wait()
        yield Site(field, made[0], listener.getsockname()[1])
        stop.set()
        await serving
    await field.channel.stop()


async def _until(socket: websockets.ClientConnection, kind: str) -> dict[str, object]:
    while (told := read(await socket.recv()))["kind"] != kind:
        pass
    return told


async def test_a_viewer_that_vanished_is_noticed_and_the_others_miss_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "VIEWER_PING_REAL_S", 0.2)
    async with _served(tmp_path / "run", monkeypatch) as site:
        async with site.viewer() as there:
            told = await _until(there, "snapshot")
            gone = await site.silent()
            seq = told["seq"]
            before = site.live.viewers
            while site.live.viewers > 1:  # the frames stand for time that passes
                site.field.beat([POINT])
                told = read(await there.recv())
                assert told["kind"] == "snapshot" or told["prev"] == seq
                seq = told["seq"]
            gone.close()
        assert before == 2


async def test_a_viewer_that_was_cut_off_resumes_with_what_it_missed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with _served(tmp_path / "run", monkeypatch) as site:
        async with site.viewer() as before:
            told = await _until(before, "snapshot")
            while not told["link"]["ok"]:  # type: ignore[index]
                told = await _until(before, "snapshot")
        run, seq = told["run"], told["seq"]
        async with site.viewer() as other:
            await _until(other, "snapshot")
            for _ in range(3):
                site.field.beat([POINT])
                await _until(other, "delta")
        async with site.viewer(f"?run={run}&seq={seq}") as again, site.viewer(f"?run=another&seq={seq}") as new:
            missed = read(await again.recv())
            assert (missed["kind"], missed["prev"]) == ("delta", seq)
            assert missed["readings"] == {POINT: site.field.reading(site.field.signals[POINT], 3)}
            assert read(await new.recv())["kind"] == "snapshot"


async def test_nobody_is_offered_a_compression_of_his_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Messages are packed once for all; a browser that offers permessage-deflate (RFC 7692) is not taken up on it."""
    async with _served(tmp_path / "run", monkeypatch) as site, site.viewer() as there:
        assert there.request is not None
        assert "permessage-deflate" in there.request.headers["Sec-WebSocket-Extensions"]
        assert there.response is not None
        assert "Sec-WebSocket-Extensions" not in there.response.headers
        packed = await there.recv()
        assert isinstance(packed, bytes)
        assert read(packed)["kind"] == "snapshot"
