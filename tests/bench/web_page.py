"""What a browser shows and what it costs: when a number became visible, what a page weighs, what its heap holds."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from playwright.async_api import Browser, Page, async_playwright

from tests.bench.web_viewers import relay
from tests.browser.seeing import CHROMIUM, FLAGS

SIZE: Any = {"width": 1920, "height": 1080}
DRAWN = "() => window.plantview?.state.link.ok && document.querySelector('#schematic svg .value .number')?.textContent"
LIVE = {
    "/": DRAWN,
    "/wall": "() => document.querySelector('#link')?.textContent === 'LIVE' && document.querySelector('#schematic svg .value .number')?.textContent",
    "/m": "() => document.querySelector('#age')?.textContent.startsWith('LIVE')",
}
"""What has to be true of a page before its first load is over."""
WATCH = """names => {
    window.seenChanges = [];
    for (const name of names) {
        const node = document.querySelector(`.value[data-signal="${name}"] .number`);
        new MutationObserver(() => {
            const text = node.textContent;
            // the second animation frame begins when the first has been painted
            requestAnimationFrame(() => requestAnimationFrame(() => window.seenChanges.push([name, text, Date.now()])));
        }).observe(node, { characterData: true, childList: true, subtree: true });
    }
}"""


@asynccontextmanager
async def chromium(*more: str) -> AsyncIterator[Browser]:
    """Run a browser."""
    async with async_playwright() as play:
        browser = await play.chromium.launch(executable_path=CHROMIUM, args=[*FLAGS, *more])
        try:
            yield browser
        finally:
            await browser.close()


async def opened(browser: Browser, url: str, path: str) -> Page:
    """Return a page of a wall's size that is live."""
    page = await (await browser.new_context(viewport=SIZE)).new_page()
    page.set_default_timeout(60_000)
    await page.goto(url + path)
    await page.wait_for_function(LIVE.get(path, DRAWN))
    return page


async def watch(page: Page, names: Sequence[str]) -> None:
    """Begin to note when each named value changed on the screen."""
    await page.evaluate(WATCH, list(names))


async def changes(page: Page) -> list[tuple[str, str, float]]:
    """Return name, text and wall time of every change that was noted."""
    return [(name, text, at_ms) for name, text, at_ms in await page.evaluate("() => window.seenChanges")]


@dataclass(frozen=True, slots=True)
class Weight:
    """What a page took."""

    first_bytes: int
    """All bytes from the server until the page is live, headers and the live socket included."""
    steady_bytes_s: float
    asked: tuple[str, ...]


async def weight(port: int, path: str, steady_s: float) -> Weight:
    """Open a page in a new browser through a relay and watch it."""
    async with relay(port) as link, chromium(f"--host-resolver-rules=MAP localhost:{port} 127.0.0.1:{link.port}") as b:
        page = await (await b.new_context(viewport=SIZE)).new_page()
        page.set_default_timeout(60_000)
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        await page.goto(f"http://localhost:{port}{path}")
        await page.wait_for_function(LIVE.get(path, DRAWN))
        await page.wait_for_load_state("networkidle")
        first, both = link.down_bytes, link.down_bytes + link.up_bytes
        await asyncio.sleep(steady_s)
        steady = (link.down_bytes + link.up_bytes - both) / steady_s if steady_s else 0.0
        return Weight(first, steady, tuple(asked))


async def heap(page: Page) -> tuple[float, int]:
    """Return bytes of the page's heap after collection, and how many nodes its documents hold."""
    session = await page.context.new_cdp_session(page)
    for _ in range(3):
        await session.send("HeapProfiler.collectGarbage")
    used = await session.send("Runtime.getHeapUsage")
    counted = await session.send("Memory.getDOMCounters")
    await session.detach()
    return used["usedSize"], counted["nodes"]
