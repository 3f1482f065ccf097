"""Dialogs by keyboard alone: opened, kept within, closed with Esc, back where one was; and what a single key may do."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from plantview.web.routes import HELP
from tests.browser.accessible import violations, walk
from tests.browser.conftest import ALARM
from tests.browser.seeing import Seen, seen
from tests.running import Running

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]

OPENERS = {
    "put a mark": ("/devices", "#mark", "dialog"),
    "shelve an alarm": ("/alarms", f"[data-shelve='{ALARM}']", "dialog"),
    "check a point": ("/startup/checkout", "[aria-label='Check CWP-2.status']", "dialog"),
    "choose the fast group": ("/startup", "#fast-tools button", "dialog"),
    "detail of a value": ("/points?show=CH-1+chws", "td[data-signal='CH-1.chws_temp']", "#detail"),
    "detail of a headline": ("/", ".headline-item", "#detail"),
}
"""What opens -> page, what is pressed, what comes."""


@pytest.fixture(scope="module")
def tab(shared_demo: Running, browser: Browser) -> Iterator[Seen]:
    with seen(browser, f"{shared_demo.url}{HELP}") as watched:
        watched.page.evaluate("() => localStorage.setItem('plantview.initials', 'AB')")
        yield watched


@pytest.mark.parametrize("name", OPENERS)
def test_what_opens_by_key_closes_with_esc_and_gives_the_focus_back(tab: Seen, shared_demo: Running, name: str) -> None:
    path, opener, opened = OPENERS[name]
    page = tab.page
    page.goto(shared_demo.url + path)
    expect(page.locator("#link")).to_have_text("LIVE", timeout=20_000)
    page.locator(opener).first.focus()
    what = page.evaluate("() => document.activeElement.outerHTML.slice(0, 60)")
    page.keyboard.press("Enter")
    expect(page.locator(opened)).to_be_visible()
    assert page.evaluate("opened => document.querySelector(opened).contains(document.activeElement)", opened)
    assert violations(page) == []
    if opened == "dialog":
        assert page.evaluate("() => document.querySelector('dialog').matches(':modal')"), (
            "what lies behind is out of reach"
        )
        done = walk(page)
        assert done.missed == []
        assert done.unmarked == []
    page.locator(f"{opened} button").first.focus()
    page.keyboard.press("Escape")
    expect(page.locator(opened)).to_be_hidden()
    page.wait_for_function("what => document.activeElement.outerHTML.slice(0, 60) === what", arg=what)


def _opened_by_m(page: Page) -> bool:
    page.keyboard.press("m")
    return page.locator("dialog[open]").count() == 1


def test_the_single_key_can_be_switched_off(tab: Seen, shared_demo: Running) -> None:
    """Success criterion 2.1.4: somebody who dictates would otherwise put marks with every word."""
    page = tab.page
    page.goto(f"{shared_demo.url}/devices")
    page.wait_for_selector("#mark")
    assert _opened_by_m(page)
    page.goto(f"{shared_demo.url}{HELP}")
    page.get_by_role("button", name="Key M puts a mark").press("Enter")
    page.goto(f"{shared_demo.url}/devices")
    page.wait_for_selector("#mark")
    assert not _opened_by_m(page)
    page.locator("#mark").press("Enter")
    expect(page.locator("dialog[open]")).to_have_count(1)
