"""Start-up pages in Chromium: a mark by key, the zero line, the sheet on paper, targets for gloves, 5,000 rows, axe-core."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from tests.browser.seeing import seen
from tests.running import Running, running

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]
READY = {
    "/startup": "#proofs-rows tr",
    "/startup/checkout": "#checkout-rows tr",
    "/startup/captures": "#captures-answer:not(:empty)",
    "/startup/report": "#report-answer:not(:empty)",
}
GLOVE_PX = 44
"""Least width and height of a target (WCAG 2.2, success criterion 2.5.5)."""
SMALL = """() => [...document.querySelectorAll('#page button, #page select, #page a.big-button, #page input:not([type=checkbox])')]
    .filter((node) => node.offsetParent && node.getBoundingClientRect().height < %d).map((node) => node.outerHTML)"""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("demo")
    with running(["demo", "--cold", "--speed", "5", "--past", "0"], folder) as started:
        started.wait_line("open http://")
        started.until(lambda: bool(started.get("/api/v1/startup/events")["rows"]), 60)
        yield started


def put_mark(page: Page, text: str) -> None:
    page.keyboard.press("m")
    page.fill("#mark-text", text)
    page.fill("#mark-who", "AB")
    page.keyboard.press("Enter")
    expect(page.locator(".mark-toast")).to_contain_text(text)


def test_a_mark_by_key_is_among_the_events_and_time_counts_from_the_zero_line(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/points") as watched:
        watched.page.wait_for_selector("#mark")
        put_mark(watched.page, "strainer cleaned")
        watched.page.focus("#filter")
        watched.page.keyboard.press("m")  # somebody types
        expect(watched.page.locator("dialog")).to_have_count(0)
    with seen(browser, demo.url + "/startup") as watched:
        page = watched.page
        row = page.locator("tr.event.kind-marker").first
        expect(row).to_contain_text("strainer cleaned")
        row.locator("button").click()
        expect(page.locator("tr.event.zero td").nth(2)).to_have_text("+0.0 s")
        expect(page.locator("tr.event:not(.zero) td:nth-child(3)").last).to_contain_text("s")
        expect(page.locator("#event-answer")).to_contain_text("Counted from")
        assert watched.console == []


def test_a_point_is_checked_by_hand_and_the_sheet_prints_on_paper(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/startup/checkout") as watched:
        page = watched.page
        page.get_by_role("button", name="Check CH-1.chws_temp").click()
        page.get_by_label("Hand reading").fill("1.0")
        page.get_by_label("Tolerance").fill("0.5")
        page.get_by_role("button", name="Compare").click()
        expect(page.locator("dialog [role=alert]")).to_contain_text("Enter your initials")
        page.locator("dialog .startup-initials").fill("AB")
        page.get_by_role("button", name="Compare").click()
        expect(page.locator(".verdict.fail")).to_have_text("FAIL")
        page.emulate_media(media="print")
        assert page.locator("h1").is_visible(), "whose sheet it is, and of when"
        assert page.locator(".pages").is_hidden()
        assert page.locator("#checkout-rows button").first.is_hidden()
        wide = page.evaluate(
            "() => document.querySelector('#checkout').scrollWidth - document.documentElement.clientWidth"
        )
        assert wide <= 0
        paper = page.pdf(prefer_css_page_size=True)
        assert paper.startswith(b"%PDF")
        assert paper.count(b"/Type /Page\n") >= 3, "the sheet runs over several pages and is not cut"


@pytest.mark.parametrize("path", READY)
def test_every_target_fits_a_glove_nothing_scrolls_sideways_and_axe_finds_nothing(
    demo: Running, browser: Browser, path: str
) -> None:
    for size, theme in (("laptop", "light"), ("phone", "dark")):
        with seen(browser, demo.url + path, size, theme) as watched:
            watched.page.wait_for_selector(READY[path])
            assert watched.page.evaluate(SMALL % GLOVE_PX) == []
            assert watched.page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
            if size == "phone":
                continue
            if path == "/startup/checkout":
                watched.page.select_option("#sheet-equipment", "CH-1")  # a hundred rows of the same shape say no more
            found = Axe().run(watched.page)
            assert [(item["id"], item["nodes"][0]["html"]) for item in found.response["violations"]] == []
            assert watched.console == []
