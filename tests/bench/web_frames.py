"""Thousands of frames at full rate onto the wall page: what its heap and the server's memory do."""

from __future__ import annotations

import asyncio
import socket
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil
from playwright.async_api import Page

from plantview import __version__
from plantview.channel.paths import socket_path
from plantview.config import load_plant
from plantview.config.order import Order
from plantview.config.ports import free_port
from tests.bench.web_page import chromium, heap, opened
from tests.bench.web_viewers import beside
from tests.unit.fake_field import FakeField

AHEAD = 20
"""Frames sent before the page is asked how many it has drawn: so many that it never waits for one."""
COUNT = (
    "() => { window.framesSeen = 0; window.plantview.subscribe((m) => { if (m && m.seq) window.framesSeen += 1; }); }"
)


@dataclass(frozen=True, slots=True)
class Held:
    """What is held after so many frames."""

    frames: int
    heap_bytes: float
    nodes: int
    server_bytes: int


class Field(FakeField):
    """A field process of this version: the wall page would load itself anew for one of another."""

    def hello(self) -> dict[str, Any]:
        """Return the first message."""
        return {**super().hello(), "version": __version__}


async def frames_on_the_wall(plant_folder: Path, folder: Path, early: int, late: int) -> tuple[Held, Held]:
    """Return what page and server hold after ``early`` and after ``late`` frames."""
    data = folder / "data"
    data.mkdir(parents=True)
    field = Field(load_plant(plant_folder), socket_path(data))
    await field.channel.start()
    field.greet()
    port = free_port(socket.SOCK_STREAM)
    order = Order("web", str(plant_folder), str(data), port=port)
    try:
        async with beside(sys.executable, "-m", "plantview.web", order.text()) as web, chromium() as browser:
            assert web.stdout is not None
            await web.stdout.readline()
            beating = asyncio.create_task(_beat_slowly(field))
            page = await opened(browser, f"http://127.0.0.1:{port}", "/wall")
            beating.cancel()
            await page.evaluate(COUNT)
            return await _held(field, page, web.pid, early), await _held(field, page, web.pid, late)
    finally:
        await field.channel.stop()


async def _beat_slowly(field: FakeField) -> None:
    while True:
        field.beat()
        await asyncio.sleep(0.5)


async def _held(field: FakeField, page: Page, pid: int, frames: int) -> Held:
    seen = 0
    while seen < frames:
        for _ in range(min(AHEAD, frames - seen)):
            field.beat()
            await asyncio.sleep(0)  # each goes out by itself
        seen = int(await page.evaluate("() => window.framesSeen"))  # answered when the page has drawn what it had
    used, nodes = await heap(page)
    return Held(seen, used, nodes, psutil.Process(pid).memory_info().rss)
