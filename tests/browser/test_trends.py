"""The trends page as a person uses it: with the mouse, with keys alone, from a link, and as a table."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
import pytest_asyncio
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import Browser, Page, async_playwright, expect

from tests.browser.seeing import CHROMIUM, FLAGS, SIZES, THEMES
from tests.browser.trend_site import EFFICIENCY, GAP_MS, HOUR_MS, RETURN, STATUS, SUPPLY, TrendSite, trend_site
from tests.unit.fake_field import START_MS

pytestmark = [pytest.mark.browser, pytest.mark.timeout(90), pytest.mark.asyncio(loop_scope="module")]
WAIT_MS = 10_000
PICTURES = Path(__file__).parent / "pictures"
FOUR = f"p={SUPPLY}&p={RETURN}&p={EFFICIENCY}&p={STATUS}"
DRAWN = "() => window.plantviewTrends && window.plantviewTrends.data() && window.plantviewTrends.data().at.length > 0"


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def site(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[TrendSite]:
    async with trend_site(tmp_path_factory.mktemp("trends")) as served:
        yield served


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def browser() -> AsyncIterator[Browser]:
    async with async_playwright() as playwright:
        opened = await playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        await opened.close()


async def opened(browser: Browser, url: str, size: str = "laptop", **more: Any) -> tuple[Page, list[str]]:
    width, height = SIZES[size]
    context = await browser.new_context(viewport={"width": width, "height": height}, **more)
    page = await context.new_page()
    page.set_default_timeout(WAIT_MS)
    told: list[str] = []
    page.on("console", lambda message: told.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: told.append(f"error: {error}"))
    await page.goto(url)
    await page.wait_for_function(DRAWN)
    return page, told


def asked(page: Page) -> dict[str, list[str]]:
    return parse_qs(urlsplit(page.url).query)


async def span_ms(page: Page) -> float:
    return float(await page.evaluate("() => window.plantviewTrends.data().to - window.plantviewTrends.data().from"))


async def drawn_anew(page: Page, act: str) -> None:
    """Do something and wait until what it asked for is drawn."""
    before = await page.evaluate("() => { window.before = window.plantviewTrends.data(); return window.before.from; }")
    assert before > 0
    await page.evaluate(act)
    await page.wait_for_function("() => window.plantviewTrends.data() !== window.before")


async def test_units_have_panels_of_their_own_and_the_page_is_quiet_on_every_screen(
    site: TrendSite, browser: Browser
) -> None:
    PICTURES.mkdir(exist_ok=True)
    for size in SIZES:
        for theme in THEMES:
            page, told = await opened(browser, f"{site.home}/trends?{FOUR}&span=28800", size, color_scheme=theme)
            await expect(page.locator(".trend-panel")).to_have_count(3)
            await expect(page.locator("#trend-lines .trend-line")).to_have_count(4)
            assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth"), size
            await page.evaluate("() => document.fonts.ready")
            await page.screenshot(path=PICTURES / f"trends-{size}-{theme}.png", animations="disabled", caret="hide")
            assert told == []
            await page.context.close()


async def test_a_gap_is_drawn_as_a_gap_and_told_as_one(site: TrendSite, browser: Browser) -> None:
    page, _ = await opened(browser, f"{site.home}/trends?{FOUR}&span=28800")
    inside = (GAP_MS[0] + GAP_MS[1]) // 2_000
    found = await page.evaluate(
        """at => { const data = window.plantviewTrends.data(), i = data.at.findIndex((each) => each >= at);
                   return data.series.map((series) => [series.mid[i] === null, series.quality[i]]); }""",
        inside,
    )
    assert found == [[True, 4]] * 4
    middle = await page.evaluate("at => window.plantviewTrends.data().at.findIndex((each) => each >= at)", inside)
    await page.evaluate("at => window.plantviewTrends.showReadout(at)", middle)
    assert await page.locator(".trend-line .now").all_inner_texts() == ["?"] * 4


async def test_keys_alone_move_the_cursor_pan_zoom_and_go_back_to_live(site: TrendSite, browser: Browser) -> None:
    page, _ = await opened(browser, f"{site.home}/trends?{FOUR}&span=1800")
    await page.focus("#trend-plot")
    await page.keyboard.press("ArrowLeft")
    await page.keyboard.press("ArrowLeft")
    await expect(page.locator("#trend-said")).to_contain_text("CH-1 CHWS")
    await expect(page.locator(".trend-label").first).to_be_visible()
    await drawn_anew(page, "() => 0")  # the live tail renews by itself
    await page.keyboard.press("+")
    await page.wait_for_function(
        "() => window.plantviewTrends.data().to - window.plantviewTrends.data().from === 900000"
    )
    assert asked(page)["span"] == ["900"]
    await page.keyboard.press("Shift+ArrowLeft")
    await expect(page.locator("#trend-live")).to_have_attribute("aria-pressed", "false")
    assert "from" in asked(page)
    await page.keyboard.press("l")
    await expect(page.locator("#trend-live")).to_have_attribute("aria-pressed", "true")
    await page.keyboard.press("t")
    await expect(page.locator("#trend-table table")).to_be_visible()
    await page.keyboard.press("c")
    await expect(page.locator("#trend-search")).to_be_focused()
    await page.keyboard.press("Escape")
    await expect(page.locator("#trend-choose")).to_be_focused()


async def test_dragging_zooms_and_asks_for_the_resolution_that_fits(site: TrendSite, browser: Browser) -> None:
    page, _ = await opened(browser, f"{site.home}/trends?p={SUPPLY}&span=604800")
    step = "() => window.plantviewTrends.data().at[1] - window.plantviewTrends.data().at[0]"
    coarse = await page.evaluate(step)
    box = await page.locator(".trend-panel .u-over").bounding_box()
    assert box is not None
    y = box["y"] + box["height"] / 2
    await page.mouse.move(box["x"] + box["width"] * 0.40, y)
    await page.mouse.down()
    await page.mouse.move(box["x"] + box["width"] * 0.50, y, steps=4)
    await page.mouse.up()
    await page.wait_for_function(
        "() => window.plantviewTrends.data().to - window.plantviewTrends.data().from < 100000000"
    )
    assert await span_ms(page) == pytest.approx(60_480_000, rel=0.03)
    assert await page.evaluate(step) < coarse / 5
    assert {"from", "to"} <= set(asked(page))


async def test_a_link_shows_the_same_points_and_range_to_somebody_else(site: TrendSite, browser: Browser) -> None:
    start = START_MS - 30 * HOUR_MS
    url = f"{site.home}/trends?p={SUPPLY}&p={STATUS}&from=2026-09-20T08:13:20Z&to=2026-09-20T14:13:20Z&back=1"
    page, told = await opened(browser, url)
    assert await page.evaluate("() => window.plantviewTrends.view.points") == [SUPPLY, STATUS]
    assert await page.evaluate("() => window.plantviewTrends.data().from") == start
    assert await page.evaluate("() => window.plantviewTrends.data().other.start") == start - 24 * HOUR_MS
    await expect(page.locator("#trend-back")).to_have_value("1")
    assert told == []
    await page.context.close()
    page, _ = await opened(browser, page.url)
    assert await page.evaluate("() => window.plantviewTrends.data().from") == start


async def test_a_point_that_the_plant_does_not_have_is_said_not_swallowed(site: TrendSite, browser: Browser) -> None:
    page, _ = await opened(browser, f"{site.home}/trends?p=CH-9.power&p={SUPPLY}")
    await expect(page.locator("#trend-answer")).to_have_text("Not in this plant, so not shown: CH-9.power.")
    assert await page.evaluate("() => window.plantviewTrends.view.points") == [SUPPLY]


async def test_values_are_chosen_by_words_and_taken_away_again(site: TrendSite, browser: Browser) -> None:
    page, _ = await opened(browser, f"{site.home}/trends?p={SUPPLY}")
    await page.click("#trend-choose")
    await page.fill("#trend-search", "ch-2 chwr_temp")
    box = page.locator('#trend-chooser input[data-name="CH-2.chwr_temp"]')
    await box.check()
    await expect(page.locator("#trend-lines .trend-line")).to_have_count(2)
    assert asked(page)["p"] == [SUPPLY, "CH-2.chwr_temp"]
    await page.click(f'.trend-line[data-name="{SUPPLY}"] .away')
    await expect(page.locator("#trend-lines .trend-line")).to_have_count(1)
    assert asked(page)["p"] == ["CH-2.chwr_temp"]


async def test_alarms_of_the_span_are_listed_and_others_are_not(site: TrendSite, browser: Browser) -> None:
    page, _ = await opened(browser, f"{site.home}/trends?p={SUPPLY}&span=28800")
    await expect(page.locator("#trend-events li")).to_have_count(1)
    await expect(page.locator("#trend-events")).to_contain_text("Leaving chilled water too cold, priority 2")
    await page.click('[data-span="604800000"]')
    await expect(page.locator("#trend-events li")).to_have_count(2)


async def test_units_follow_the_viewer(site: TrendSite, browser: Browser) -> None:
    page, _ = await opened(browser, f"{site.home}/trends?p={SUPPLY}&span=28800")
    first = "() => window.plantviewTrends.data().series[0].mid.find((value) => value > 0)"
    in_ip = await page.evaluate(first)
    await drawn_anew(page, "() => document.querySelector('#units').click()")
    in_si = await page.evaluate(first)
    assert in_si == pytest.approx((in_ip - 32) / 1.8, abs=0.05)


async def test_what_is_shown_can_be_saved(site: TrendSite, browser: Browser) -> None:
    page, _ = await opened(browser, f"{site.home}/trends?p={SUPPLY}&p={STATUS}&span=28800")
    async with page.expect_download() as waiting:
        await page.click("#trend-save")
    saved = await (await waiting.value).path()
    lines = Path(saved).read_text(encoding="utf-8-sig").splitlines()
    assert lines[0].startswith("utc,local (America/Chicago),CH-1.chws_temp [°F],CH-1.chws_temp quality")
    assert len(lines) > 100


async def test_a_value_on_another_page_opens_in_trends(site: TrendSite, browser: Browser) -> None:
    page = await browser.new_page()
    await page.goto(f"{site.home}/points")
    await page.click(f'td[data-signal="{SUPPLY}"]')
    await page.click("#detail .trend-open")
    await page.wait_for_function(DRAWN)
    assert await page.evaluate("() => window.plantviewTrends.view.points") == [SUPPLY]


async def test_no_serious_barrier_with_everything_open(site: TrendSite, browser: Browser) -> None:
    page, _ = await opened(browser, f"{site.home}/trends?{FOUR}&span=28800")
    await page.click("#trend-as-table")
    await page.click("#trend-choose")
    await expect(page.locator("#trend-table table")).to_be_visible()
    found = (await Axe().run(page)).response
    serious = [item for item in found["violations"] if item["impact"] in {"serious", "critical"}]
    assert [(item["id"], [node["html"] for node in item["nodes"]][:3]) for item in serious] == []
    assert found["passes"]
