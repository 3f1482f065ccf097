"""An open page through a dropped link, a killed server and a lost device: nobody touches it, and it never looks live when it is not."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Page, async_playwright

from plantview import __version__
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.config.ports import free_port
from plantview.model.quality import Quality
from plantview.web.server import listen, serve_on
from tests.bench.web_viewers import relay
from tests.browser.seeing import CHROMIUM, FLAGS
from tests.unit.fake_field import FakeField
from tests.unit.live_words import read

PLANT = load_plant(bundled("plants") / "orchard")
POINT = "CH-1.chws_temp"
BEAT_REAL_S = 0.25
LIVE = "() => window.plantview?.state.link.ok && !document.body.classList.contains('stale-page')"
SECOND = 2
STALE = "() => document.body.classList.contains('stale-page')"
MARKED = f"() => document.querySelector('.value[data-signal=\"{POINT}\"]')?.classList.contains('stale')"

pytestmark = [pytest.mark.browser, pytest.mark.timeout(90)]


class Field(FakeField):
    """A field process of this version: the wall page loads itself anew for one of another."""

    def hello(self) -> dict[str, Any]:
        """Return the first message."""
        return {**super().hello(), "version": __version__}


@dataclass
class Sockets:
    """What a page's live sockets were told first, one row per socket."""

    addresses: list[str] = field(default_factory=list)
    first: list[dict[str, Any]] = field(default_factory=list)

    def watch(self, page: Page) -> None:
        """Listen to every socket that the page opens."""
        page.on("websocket", self._opened)

    def _opened(self, opened: Any) -> None:
        self.addresses.append(opened.url)
        opened.once("framereceived", lambda payload: self.first.append(read(payload)))


@asynccontextmanager
async def field_process(folder: Path) -> AsyncIterator[Field]:
    """Publish frames until left."""
    folder.mkdir(mode=0o700)
    made = Field(PLANT, folder / "s.sock")
    await made.channel.start()
    made.greet()

    async def beat() -> None:
        while True:
            made.beat()
            await asyncio.sleep(BEAT_REAL_S)

    beating = asyncio.create_task(beat())
    try:
        yield made
    finally:
        beating.cancel()
        await asyncio.gather(beating, return_exceptions=True)
        await made.channel.stop()


@asynccontextmanager
async def web_process(made: Field, port: int = 0) -> AsyncIterator[int]:
    """Serve the pages until left, as a process that is killed and started again does."""
    stop, ready = asyncio.Event(), asyncio.Event()
    with listen("127.0.0.1", port) as listener:
        serving = asyncio.create_task(
            serve_on(listener, PLANT, made.channel.path, "127.0.0.1", stop=stop, ready=ready.set)
        )
        await ready.wait()
        try:
            yield listener.getsockname()[1]
        finally:
            stop.set()
            await serving


async def test_an_open_page_survives_a_dropped_link_a_lost_device_and_a_killed_server_without_a_touch(
    tmp_path: Path,
) -> None:
    sockets, port = Sockets(), free_port(socket.SOCK_STREAM)
    # the page is asked for under its own name; only the way there is another
    async with field_process(tmp_path / "run") as made, relay(port) as link, async_playwright() as play:
        way = f"--host-resolver-rules=MAP localhost:{port} 127.0.0.1:{link.port}"
        browser = await play.chromium.launch(executable_path=CHROMIUM, args=[*FLAGS, way])
        page = await browser.new_page()
        page.set_default_timeout(30_000)
        sockets.watch(page)
        async with web_process(made, port):
            await page.goto(f"http://localhost:{port}/wall")
            await page.wait_for_function(LIVE)
            await page.wait_for_selector("#schematic svg .value .number")
            run, seq = await page.evaluate("() => [window.plantview.state.run, window.plantview.state.seq]")

            # a link that drops: the page comes back and is told what it missed, not everything anew
            link.cut()
            while len(sockets.first) < SECOND:
                await page.wait_for_function("seq => window.plantview.state.seq > seq", arg=seq)
                seq = await page.evaluate("() => window.plantview.state.seq")
            await page.wait_for_function(LIVE)
            assert f"run={run}&seq=" in sockets.addresses[1]
            assert [told["kind"] for told in sockets.first] == ["snapshot", "delta"]

            # a device that answers no more: its value is marked, the page stays live
            made.override[POINT] = [44.0, int(Quality.STALE), "no answer in 1 s; value is 16 s old", made.now_ms]
            await page.wait_for_function(MARKED)
            assert await page.evaluate(LIVE)
            del made.override[POINT]
            await page.wait_for_function(f"() => !({MARKED})()")
        link.cut()
        await page.wait_for_function(STALE)
        assert "NO DATA SINCE" in await page.inner_text("#no-data")

        # another start of the server knows nothing of the old one's numbers: everything anew
        async with web_process(made, port):
            await page.wait_for_function(LIVE)
            assert sockets.first[-1]["kind"] == "snapshot"
            assert await page.evaluate("() => window.plantview.state.run") != run
            assert not await page.evaluate(STALE)
            await browser.close()
