"""How long a growing alarm list takes from the field process to the screen: a real web process, a real browser."""

from __future__ import annotations

import asyncio
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from playwright.async_api import CDPSession, Page, async_playwright

from plantview.model.plant import Plant
from plantview.web.server import listen, serve_on
from tests.browser.seeing import CHROMIUM, FLAGS, SIZES
from tests.unit.fake_field import FakeField

WATCH = """() => {
  const count = document.querySelector("#alarm-count");
  window.painted = {};
  new MutationObserver(() => {
    const number = parseInt(count.textContent, 10);
    requestAnimationFrame(() => setTimeout(() => { window.painted[number] = performance.timeOrigin + performance.now(); }));
  }).observe(count, { childList: true, characterData: true, subtree: true });
}"""
"""Notes for each length of the list when the browser had drawn it."""


def painted_ms(plant: Plant, lists: Sequence[Mapping[str, Any]]) -> list[tuple[float, float]]:
    """Return for each alarm list the ms from its publication until it is drawn: by the wall, and of processors."""
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(_painted_ms(plant, lists, Path(folder)))


async def _painted_ms(plant: Plant, lists: Sequence[Mapping[str, Any]], folder: Path) -> list[tuple[float, float]]:
    field = FakeField(plant, folder / "s.sock")
    await field.channel.start()
    field.greet()
    stop, ready = asyncio.Event(), asyncio.Event()
    with listen("127.0.0.1", 0) as listener:
        address = f"http://127.0.0.1:{listener.getsockname()[1]}"
        serving = asyncio.create_task(
            serve_on(listener, plant, field.channel.path, "127.0.0.1", stop=stop, ready=ready.set, data=folder)
        )
        await ready.wait()
        try:
            return await _in_browser(field, address, lists)
        finally:
            stop.set()
            await serving
            await field.channel.stop()


async def _in_browser(field: FakeField, address: str, lists: Sequence[Mapping[str, Any]]) -> list[tuple[float, float]]:
    width, height = SIZES["laptop"]
    async with async_playwright() as play:
        browser = await play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = await browser.new_page(viewport={"width": width, "height": height})
        await page.goto(f"{address}/alarms")
        field.beat()
        await page.wait_for_function("() => document.querySelector('#alarm-count')?.textContent === 'No active alarms'")
        await page.evaluate(WATCH)
        tools = await page.context.new_cdp_session(page)
        await tools.send("Performance.enable", {"timeDomain": "threadTicks"})
        return [await _one(field, page, tools, told) for told in lists]


async def _busy_ms(tools: CDPSession) -> float:
    """Return the processor time of this process, which is both field and web, and of the page."""
    told = {one["name"]: one["value"] for one in (await tools.send("Performance.getMetrics"))["metrics"]}
    return 1_000 * float(time.process_time() + told["TaskDuration"])


async def _one(field: FakeField, page: Page, tools: CDPSession, told: Mapping[str, Any]) -> tuple[float, float]:
    field.beat()
    busy_ms, began_ms = await _busy_ms(tools), time.time() * 1_000
    field.channel.publish("alarms", dict(told))
    shown = len(told["active"])
    await page.wait_for_function(f"() => window.painted[{shown}]")
    drawn_ms = float(await page.evaluate(f"() => window.painted[{shown}]"))
    return drawn_ms - began_ms, await _busy_ms(tools) - busy_ms
