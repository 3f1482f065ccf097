"""Every page there is, walked by the table of routes so that a new one cannot be forgotten.

For each: live, quiet, nothing from outside; by keyboard alone; axe-core without a finding in both themes; on a wall, a
laptop, a phone and at 320 px; with wide text spacing; on paper. Success criteria: Web Content Accessibility Guidelines 2.2.
A page is opened once, and its tests follow one another in it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Error, Page, expect

from plantview.web.routes import ACCOUNT, HELP, PAGES, PHONE, SIGN_IN, WALL
from tests.browser.accessible import CUT_OFF, MOUSE_ONLY, SPACED, SWALLOWED, pale, violations, walk
from tests.browser.conftest import ALARM
from tests.browser.seeing import SIZES, THEMES, Seen, seen
from tests.running import Running

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]

QUERY = {
    "/plant/loop": "?id=chw",
    "/plant/machine": "?id=CH-1",
    "/equipment": "?id=CT-1",
    "/past/loop": "?id=chw",
    "/past/machine": "?id=CH-1",
    "/alarms/record": f"?id={ALARM}",
    "/points": "?show=CH-1+chw",
}
"""What a page is asked about, where it is asked about something."""
PLAIN = (HELP, PHONE, SIGN_IN, ACCOUNT, WALL)
NARROW = (320, 640)
PAPER = (1047, 718)
"""A4 landscape less margins of 10 mm, in CSS pixels of 1/96 inch."""
WHITE, INK = "rgb(255, 255, 255)", "rgb(29, 35, 39)"
TO_PRESS = """() => [...document.querySelectorAll('nav, .switches, input, select, dialog, #alarm-strip, button:not(.headline-item, .opener)')]
  .filter((node) => node.checkVisibility() && node.getClientRects().length).map((node) => node.outerHTML.slice(0, 140))"""
LOOKED_AT = ("/", "/alarms", "/points", "/past", PHONE)
"""Pages whose pictures are kept, to be looked at."""
PICTURES = Path(__file__).parent / "pictures"
WITHIN_MS = 20_000
READY = """() => window.plantview && window.plantview.state.seq >= 0 && document.querySelector('#page')?.childElementCount
  && !/^(CONNECTING|$)/.test(document.querySelector('#link').textContent)
  && Object.keys(window.plantview.state.readings).length > 100"""
FILLED = {
    "/": "#schematic svg .machine",
    "/alarms": "#active-rows tr[data-id]",
    "/alarms/figures": "#figures tbody tr",
    "/alarms/journal": "#lines-rows tr",
    "/alarms/record": "#record-acts button",
    "/devices": "#devices-rows tr",
    "/equipment": "body[data-equipment] #schematic svg",
    "/past": "#past-words:not(:empty)",
    "/performance": "body[data-performance]",
    "/overrides": "#arm-equipment",
    "/past/loop": "#schematic svg .machine",
    "/past/machine": "#schematic svg .machine",
    "/plant/loop": "#schematic svg .machine",
    WALL: "#schematic svg .machine",
    "/plant/machine": "body[data-equipment] #schematic svg",
    "/points": "#points-rows tr",
    "/startup": "tr.event",
    "/startup/checkout": "#checkout-rows tr",
    "/trends": "#trend-lines .away",
}
"""What comes last on a page that asks for more than the live values."""
IN_THEME = "theme => getComputedStyle(document.documentElement).colorScheme === theme"
SCHEME = "() => getComputedStyle(document.documentElement).colorScheme"


@pytest.fixture(scope="module")
def tab(shared_demo: Running, browser: Browser) -> Iterator[Seen]:
    """Return one tab of one browser: pages are opened in it one after the other, as a person does."""
    with seen(browser, f"{shared_demo.url}{HELP}") as watched:
        watched.page.set_default_timeout(WITHIN_MS)
        yield watched


@pytest.fixture(scope="module", params=[*PAGES, *PLAIN])
def path(request: pytest.FixtureRequest, tab: Seen, shared_demo: Running) -> str:
    """Open a page and return its path."""
    asked, page = str(request.param), tab.page
    page.set_viewport_size({"width": SIZES["laptop"][0], "height": SIZES["laptop"][1]})
    page.emulate_media(color_scheme="light", media="screen")
    tab.console.clear()
    page.goto(shared_demo.url + asked + QUERY.get(asked, ""))
    if asked in PAGES:
        page.wait_for_function(READY)
    if asked in FILLED:
        page.wait_for_selector(FILLED[asked], state="attached")
    return asked


def test_the_first_key_leads_past_the_navigation(tab: Seen, path: str) -> None:
    page = tab.page
    if path not in (*PAGES, HELP):
        assert page.locator("header a").count() <= 3, "few enough to be passed"
        return
    page.keyboard.press("Tab")
    skip = page.locator(":focus")
    expect(skip).to_have_text("Skip to the page")
    box = skip.bounding_box()
    assert box is not None
    assert box["x"] >= 0
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_be_focused()
    page.evaluate("() => document.activeElement.blur()")


def test_every_control_is_reached_by_keyboard_in_the_order_of_the_page_seen_and_left_again(
    tab: Seen, path: str
) -> None:
    page = tab.page
    assert page.evaluate(MOUSE_ONLY) == []
    assert page.locator("[tabindex]:not([tabindex='0'], [tabindex='-1'])").count() == 0
    done = walk(page)
    assert (done.expected > 0) == (path != WALL), "nothing on a wall waits for a hand"
    assert done.missed == []
    assert done.reached == sorted(done.reached)
    assert done.unmarked == []
    assert done.covered == []


def test_axe_finds_nothing_in_either_theme(tab: Seen, path: str) -> None:
    page = tab.page
    assert page.locator("main").count() == 1
    assert page.locator("h1").count() == 1
    assert violations(page) == []
    if path == WALL:  # its theme follows the plant's clock
        assert pale(page) == []
        other = {"light": "dark", "dark": "light"}[page.evaluate(SCHEME)]
        page.evaluate("theme => { document.documentElement.dataset.theme = theme; }", other)
        assert pale(page) == []
        return
    for theme in THEMES:
        page.emulate_media(color_scheme=theme)  # type: ignore[arg-type]
        page.wait_for_function(IN_THEME, arg=theme)
        assert pale(page) == []


def settled(page: Page) -> None:
    """Wait until what a page draws anew for another width is drawn; where something stays cut off the caller says what."""
    with contextlib.suppress(Error):
        page.wait_for_function(f"() => ({CUT_OFF})().length === 0", timeout=5_000)


def test_a_page_fits_a_wall_a_laptop_a_phone_and_320_px_and_wide_text(tab: Seen, path: str) -> None:
    page = tab.page
    PICTURES.mkdir(exist_ok=True)
    sizes = [SIZES["wall"], SIZES["laptop"]] if path == WALL else [*SIZES.values(), NARROW]
    for width, height in sizes:
        page.set_viewport_size({"width": width, "height": height})
        settled(page)
        assert page.evaluate(CUT_OFF) == [], width
        if path in LOOKED_AT:
            page.screenshot(path=PICTURES / f"{path.strip('/') or 'plant'}-{width}.png", animations="disabled")
    page.add_style_tag(content=SPACED)
    assert page.evaluate(CUT_OFF) == [], "with wide text spacing"
    assert path == WALL or page.evaluate(SWALLOWED) == [], "with wide text spacing"


def test_on_paper_stand_name_mark_time_and_numbers_black_on_white_and_nothing_to_press(tab: Seen, path: str) -> None:
    page = tab.page
    page.set_viewport_size({"width": PAPER[0], "height": PAPER[1]})
    page.emulate_media(media="print")  # the screen is dark since the colours were looked at
    ground, ink = page.evaluate(
        "() => [getComputedStyle(document.documentElement).backgroundColor, getComputedStyle(document.querySelector('h1')).color]"
    )
    assert (ground, ink) == (WHITE, INK)
    assert page.evaluate(CUT_OFF) == []
    if path in PAGES:
        assert page.evaluate(TO_PRESS) == []
        for name in ("h1", "#clock", "#simulated"):
            assert page.locator(name).is_visible()
    if path in ("/", "/devices"):
        assert page.locator({"/": ".headline-value", "/devices": ".opener"}[path]).first.is_visible()
    page.emulate_media(media="screen")


def test_a_page_was_quiet_and_asked_nobody_else(tab: Seen, path: str, shared_demo: Running) -> None:
    assert tab.console == []
    assert tab.hosts == {f"127.0.0.1:{shared_demo.port}"}
