"""The pages in a real browser, with a field process made of numbers behind them."""

from __future__ import annotations

import asyncio
import re
import shutil
from collections.abc import AsyncIterator
from dataclasses import dataclass
from dataclasses import field as each
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from playwright.async_api import Browser, BrowserContext, Page, async_playwright, expect

from plantview.config import load_plant
from plantview.config.bundled import bundled
from tests.unit.fake_field import START_MS, FakeField
from tests.unit.served_pages import served_pages

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
ARGUMENTS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PLANT = load_plant(bundled("plants") / "larkfield")
POINT = "CH-1.chws_temp"
REFUSED = {"/startup": "#startup-trouble", "/past": "#past-trouble"}
"""Page -> where it says that its question was refused."""
WAIT_MS = 8_000

pytestmark = [pytest.mark.browser, pytest.mark.timeout(90), pytest.mark.asyncio(loop_scope="module")]


@dataclass
class Site:
    field: FakeField
    home: str
    stop: asyncio.Event
    told: list[str] = each(default_factory=list)
    """Console lines, page errors, failed and foreign requests: whatever a crew should never have."""
    contexts: list[BrowserContext] = each(default_factory=list)


@pytest_asyncio.fixture(loop_scope="module")
async def site(tmp_path: Path) -> AsyncIterator[Site]:
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    made = FakeField(PLANT, folder / "s.sock")
    await made.channel.start()
    made.active = [
        {
            "id": "CH-2.fault",
            "priority": 1,
            "since_ms": START_MS,
            "acked": False,
            "acked_by": "",
            "equipment": "CH-2",
            "point": "",
            "text": "Tripped: fault <b>at</b> the panel",
            "action": "Read the fault code.",
            "state": "UNACK",
        },
    ]
    made.greet()
    async with served_pages(made, PLANT) as (home, stop):
        seen = Site(made, home, stop)
        yield seen
        for context in seen.contexts:
            await context.close()


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def browser() -> AsyncIterator[Browser]:
    async with async_playwright() as playwright:
        opened = await playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield opened
        await opened.close()


async def opened(browser: Browser, site: Site, path: str, size: tuple[int, int] = (1366, 768), **more: Any) -> Page:
    context = await browser.new_context(viewport={"width": size[0], "height": size[1]}, **more)
    site.contexts.append(context)
    page = await context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.on("console", lambda message: site.told.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: site.told.append(f"error: {error}"))
    page.on(
        "request",
        lambda request: (
            None if request.url.startswith((site.home, "data:")) else site.told.append(f"left: {request.url}")
        ),
    )
    await page.goto(site.home + path)
    await expect(page.locator("#link")).to_have_text("PAST" if path.startswith("/past") else "LIVE", timeout=WAIT_MS)
    return page


async def test_a_page_whose_question_the_field_refuses_says_so_and_stays_quiet(site: Site, browser: Browser) -> None:
    """This field knows nothing of starts and of the past. What every page shares is in ``tests/browser``."""
    for path, place in REFUSED.items():
        page = await opened(browser, site, path)
        await expect(page.locator(place)).to_have_text(re.compile(r"\w+ \w+"), timeout=WAIT_MS)
        assert "undefined" not in await page.locator("#page").inner_text()
        await page.context.close()
    assert [line for line in site.told if "409 (Conflict)" not in line] == []


async def test_a_value_on_the_points_page_changes_without_a_reload_and_follows_the_units(
    site: Site, browser: Browser
) -> None:
    page = await opened(browser, site, "/points")
    cell = page.locator(f'td[data-signal="{POINT}"]')
    site.field.override[POINT] = [site.field.signals[POINT].unit.from_canonical(7.0), 0, "", START_MS]
    await expect(cell).to_have_text("44.6", timeout=WAIT_MS)
    await page.click("#units")
    await expect(cell).to_have_text("7.0")
    await page.reload()
    await expect(cell).to_have_text("7.0", timeout=WAIT_MS)
    assert site.told == []


async def test_bad_and_stale_show_no_live_number(site: Site, browser: Browser) -> None:
    site.field.override[POINT] = [None, 3, "device refused: unknown object", START_MS]
    site.field.override["CH-2.chws_temp"] = [44.0, 2, "no answer; value is 42 s old", START_MS]
    page = await opened(browser, site, "/points")
    bad = page.locator("tr", has=page.locator(f'td[data-signal="{POINT}"]'))
    await expect(bad.locator("td.value").first).to_have_text("?", timeout=WAIT_MS)
    await expect(bad).to_contain_text("BAD")
    await expect(bad).to_contain_text("device refused: unknown object")
    stale = page.locator("tr", has=page.locator('td[data-signal="CH-2.chws_temp"]'))
    await expect(stale).to_contain_text("STALE")
    await expect(stale.locator("td.stale")).to_have_count(1)


async def test_the_filter_leaves_what_was_asked_for(site: Site, browser: Browser) -> None:
    page = await opened(browser, site, "/points")
    await expect(page.locator("#point-count")).to_have_text(re.compile(r"^\d+ of \d+ values$"), timeout=WAIT_MS)
    await page.fill("#filter", "ch-1 chws")
    shown = page.locator("#points-rows tr:not([hidden])")
    await expect(shown).to_have_count(1)
    await expect(shown).to_contain_text("leaving chilled water (CHWS)")


async def test_a_value_opens_by_keyboard_with_its_last_hour_and_source_and_closes_again(
    site: Site, browser: Browser
) -> None:
    page = await opened(browser, site, "/points")
    cell = page.locator(f'td[data-signal="{POINT}"]')
    await cell.focus()
    await page.keyboard.press("Enter")
    panel = page.locator("#detail")
    point = PLANT.points[POINT]
    await expect(panel).to_contain_text(f"{point.device}, {point.address}")
    await expect(panel.locator("#detail-quality")).to_have_text("good")
    # the field gives one hour with one gap in its middle: two pieces of line, never one drawn across
    await expect(panel.locator("path.trend-line")).to_have_count(2)
    await expect(panel.locator("figcaption")).to_have_text(re.compile(r"lowest \S+ °F, highest \S+ °F"))
    await page.keyboard.press("Escape")
    await expect(panel).to_be_hidden()
    assert await cell.evaluate("node => node === document.activeElement")
    assert site.told == []


async def test_a_derived_value_names_its_inputs_with_their_times(site: Site, browser: Browser) -> None:
    page = await opened(browser, site, "/")
    await page.locator('[data-signal="PLANT.kw_per_ton"]').first.click()
    inputs = page.locator("#detail-inputs li")
    await expect(inputs).to_have_count(2)
    await expect(inputs.first).to_have_text(re.compile(r"^PLANT\.power_input [\d.]+ kW, \d\d:\d\d:\d\d$"))


async def test_an_alarm_is_acknowledged_with_initials_and_its_text_is_never_markup(
    site: Site, browser: Browser
) -> None:
    page = await opened(browser, site, "/alarms")
    row = page.locator("#active-rows tr")
    await expect(row).to_contain_text("Tripped: fault <b>at</b> the panel")
    await row.get_by_role("button").click()
    await expect(page.locator("#acknowledge-answer")).to_contain_text("Enter your initials first")
    assert site.field.acknowledged == []
    await page.fill("#initials", "MK")
    await page.fill("#comment", "seen")
    await row.get_by_role("button").click()
    await expect(row).to_contain_text("seen by MK", timeout=WAIT_MS)
    told = [{name: row[name] for name in ("alarm", "person", "comment")} for row in site.field.acknowledged]
    assert told == [{"alarm": "CH-2.fault", "person": "MK", "comment": "seen"}]
    assert site.told == []


async def test_the_page_says_when_the_field_goes_and_recovers_alone(site: Site, browser: Browser) -> None:
    page = await opened(browser, site, "/points")
    cell = page.locator(f'td[data-signal="{POINT}"]')
    await expect(cell).not_to_have_class(re.compile("stale"))
    await site.field.channel.stop()
    await expect(page.locator("#link")).to_have_text(re.compile(r"^NO DATA SINCE \d\d:\d\d$"), timeout=WAIT_MS)
    await expect(page.locator("body")).to_have_class(re.compile("stale-page"))
    await expect(cell).to_have_class(re.compile("stale"), timeout=WAIT_MS)
    await site.field.channel.start()
    site.field.greet()
    await expect(page.locator("#link")).to_have_text("LIVE", timeout=WAIT_MS)
    await expect(cell).not_to_have_class(re.compile("stale"), timeout=WAIT_MS)


async def test_the_page_says_when_the_web_process_goes(site: Site, browser: Browser) -> None:
    page = await opened(browser, site, "/")
    site.stop.set()
    await expect(page.locator("body")).to_have_class(re.compile("stale-page"), timeout=WAIT_MS)
    await expect(page.locator("#no-data")).to_be_visible()
    await expect(page.locator("#link")).to_have_text(re.compile("NO DATA SINCE"))


async def test_the_theme_follows_the_computer_until_a_viewer_chooses(site: Site, browser: Browser) -> None:
    page = await opened(browser, site, "/devices", color_scheme="dark")
    html = page.locator("html")
    await expect(html).to_have_attribute("data-theme", "dark")
    await expect(page.locator("#theme")).to_have_text("Auto")
    await page.click("#theme")
    await expect(html).to_have_attribute("data-theme", "light")
    await page.reload()
    await expect(page.locator("#theme")).to_have_text("Light", timeout=WAIT_MS)
    await expect(html).to_have_attribute("data-theme", "light")
    await expect(page.locator("#devices-rows tr")).to_have_count(len(PLANT.devices), timeout=WAIT_MS)
