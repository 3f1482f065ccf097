"""A visit to ``/m`` over a narrow link on a 320 px screen, as figures: first load, steady traffic, dead spot, return."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from playwright.async_api import async_playwright

from tests.browser.narrow_link import NarrowLink, narrow_link
from tests.browser.seeing import CHROMIUM, FLAGS
from tests.browser.trend_site import TrendSite, trend_site

LIVE = "() => document.querySelector('#age')?.textContent.startsWith('LIVE')"
LOST = "() => document.body.classList.contains('lost')"
SMALL_TARGETS = """() => [...document.querySelectorAll('a, button')]
    .filter((each) => each.offsetParent && Math.min(each.getBoundingClientRect().height, 44) < 44)
    .map((each) => `${each.textContent} ${each.getBoundingClientRect().height}`)"""
WIDE = "() => document.documentElement.scrollWidth - window.innerWidth"


async def visit(folder: Path, steady_s: float) -> dict[str, Any]:
    """Return what was measured; ``steady_s`` is how long the open page is watched."""
    async with trend_site(folder) as site, narrow_link(int(site.home.rpartition(":")[2])) as link:
        return await _visited(site, link, steady_s)


async def _visited(site: TrendSite, link: NarrowLink, steady_s: float) -> dict[str, Any]:
    found: dict[str, Any] = {"points": len(site.field.signals)}
    loop = asyncio.get_running_loop()
    async with async_playwright() as playwright:
        # the page is asked for under its own name; only the way there is another
        port = site.home.rpartition(":")[2]
        way = f"--host-resolver-rules=MAP localhost:{port} 127.0.0.1:{link.port}"
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=[*FLAGS, way])
        context = await browser.new_context(viewport={"width": 320, "height": 640})
        page = await context.new_page()
        page.set_default_timeout(40_000)
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        begin_s = loop.time()
        await page.goto(f"http://localhost:{port}/m", wait_until="commit")
        await page.wait_for_function(LIVE)
        found["first_s"], found["first_bytes"] = loop.time() - begin_s, link.down_bytes
        found["charts"] = [url for url in asked if "plotly" in url or "uplot" in url]
        found["sparklines"] = await page.locator("#heads svg path[d^=M]").count()
        before, before_s = link.down_bytes + link.up_bytes, loop.time()
        await asyncio.sleep(steady_s)
        found["steady_bytes_s"] = (link.down_bytes + link.up_bytes - before) / (loop.time() - before_s)
        link.alive.clear()
        dead_s = loop.time()
        await page.wait_for_function(LOST)
        found["stale_s"] = loop.time() - dead_s
        found["stale_words"] = await page.inner_text("#age")
        found["stale_look"] = await page.evaluate("() => getComputedStyle(document.querySelector('main')).filter")
        site.field.journal.insert(0, {
            "seq": 3, "at_ms": site.field.now_ms, "kind": "ANN", "alarm": "CT-1.vibration", "equipment": "CT-1",
            "priority": 2, "text": "Vibration high", "person": "",
        })  # fmt: skip
        link.alive.set()
        back_s = loop.time()
        await page.wait_for_function(f"() => !({LOST})()")
        found["back_s"] = loop.time() - back_s
        await page.locator("#missed").get_by_text("Vibration high").wait_for()
        found["missed"] = await page.inner_text("#missed")
        found["small_targets"] = await page.evaluate(SMALL_TARGETS)
        found["wide_px"] = await page.evaluate(WIDE)
        before = link.down_bytes
        await page.goto("about:blank")
        await page.goto(f"http://localhost:{port}/m", wait_until="commit")
        await page.wait_for_function(LIVE)
        found["second_bytes"] = link.down_bytes - before
        found["lost_segments"] = link.lost
        await browser.close()
    return found
