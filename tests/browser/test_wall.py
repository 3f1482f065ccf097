"""The wall looks after itself for months: theme by the clock, no burn-in, nothing to point at, reloading by itself.

No plant runs here: the page and its scripts are the real ones, its clock and its answers are made up.
"""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Browser, Page, Route
from starlette.requests import Request

from plantview import __version__
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.model.signal import signal_of
from plantview.web.frame_view import FrameView
from plantview.web.plain.wall import WallPage
from plantview.web.schematic import draw
from plantview.web.snapshot import describe

pytestmark = [pytest.mark.browser, pytest.mark.timeout(120)]

PLANT = load_plant(bundled("plants") / "orchard")
SIGNALS = {name: signal_of(point) for name, point in PLANT.points.items()}
ZONE = ZoneInfo(PLANT.zone)
TOLD = {name: describe(signal) for name, signal in SIGNALS.items()}
TEN_MINUTES_MS = 600_000
CHECK_MS = 31_000


def at(hour: int, minute: int = 0) -> int:
    """Return a moment of a summer day in the plant's own time."""
    return round(datetime(2026, 7, 7, hour, minute, tzinfo=ZONE).timestamp() * 1_000)


@functools.cache
def written() -> bytes:
    """Return the page as the server writes it; a thread of its own, because the browser's loop runs in this one."""
    asked = Request({"type": "http", "query_string": b"", "headers": []})
    answer = WallPage(FrameView(PLANT, ManualClock(at(12)))).answer(asked)
    with ThreadPoolExecutor(1) as thread:
        return bytes(thread.submit(asyncio.run, answer).result().body)


@functools.cache
def drawing() -> str:
    return draw(PLANT, SIGNALS, "screen")


@dataclass
class Wall:
    """The page on a made-up server."""

    page: Page
    loads: int = 0
    version: str = __version__
    answers: bool = True
    asked: list[str] = field(default_factory=list)

    def serve(self, route: Route) -> None:
        """Answer as the web process does."""
        path = urlsplit(route.request.url).path
        self.asked.append(path)
        if path == "/wall":
            self.loads += 1
            route.fulfill(body=written(), content_type="text/html")
        elif path.startswith("/assets/"):
            route.fulfill(path=bundled("assets") / path.removeprefix("/assets/"))
        elif path == "/schematic.svg":
            route.fulfill(body=drawing(), content_type="image/svg+xml")
        elif path == "/api/v1/plant":
            route.fulfill(json={"version": self.version})
        elif path == "/healthz" and self.answers:
            route.fulfill(json={"ok": True})
        else:
            route.abort()

    def hear(self, now_ms: int, *, ok: bool = True) -> None:
        """Tell the page what it would hear from the server."""
        readings = {name: [7.0, 0, "", now_ms] for name in SIGNALS}
        told = {
            "kind": "snapshot",
            "seq": 1,
            "now_ms": now_ms,
            "zone": PLANT.zone,
            "link": {"ok": ok, "since_ms": now_ms},
        }
        self.page.evaluate("told => window.plantview.apply(told)", told | {"readings": readings, "signals": TOLD})

    def theme(self) -> str:
        """Return the theme that is on."""
        return str(self.page.evaluate("() => document.documentElement.dataset.theme"))

    def pass_by(self, span_ms: int) -> None:
        """Let time pass for the page and let it ask and get its answers."""
        self.page.clock.run_for(span_ms)
        self.page.evaluate("() => fetch('/api/v1/plant').then(answer => answer.json())")


@pytest.fixture
def wall(browser: Browser) -> Iterator[Wall]:
    page = browser.new_page(viewport={"width": 1920, "height": 1080})
    page.set_default_timeout(15_000)
    made = Wall(page)
    page.clock.install(time=at(12) / 1_000)
    page.route("**/*", made.serve)
    page.route_web_socket("**/live", lambda _socket: None)
    try:
        page.goto("http://wall.test/wall")
        page.wait_for_selector("#schematic svg .value", state="attached")
        yield made
    finally:
        page.close()


def test_the_theme_follows_the_clock_of_the_plant(wall: Wall) -> None:
    shown = []
    for moment in (at(6, 59), at(7), at(12), at(18, 59), at(19), at(23)):
        wall.hear(moment)
        shown.append(wall.theme())
    assert shown == ["dark", "light", "light", "light", "dark", "dark"]


def test_the_picture_moves_a_little_every_ten_minutes_and_comes_back(wall: Wall) -> None:
    place = "() => { const box = document.querySelector('main').getBoundingClientRect(); return [box.x, box.y]; }"
    wall.answers = False  # else a page that hears nothing for so long would be fetched anew
    places = [tuple(wall.page.evaluate(place))]
    for _ in range(4):
        wall.page.clock.fast_forward(TEN_MINUTES_MS)
        places.append(tuple(wall.page.evaluate(place)))
    assert len(set(places[:4])) == 4
    assert places[4] == places[0]
    assert {abs(a - b) for one, two in pairwise(places) for a, b in zip(one, two, strict=True)} == {0, 2}


def test_a_pointer_finds_nothing_and_changes_nothing(wall: Wall) -> None:
    wall.hear(at(12))
    page = wall.page
    middle = page.evaluate(
        "() => { const box = document.querySelector('#schematic .machine.chiller .value').getBoundingClientRect();"
        " return [box.x + box.width / 2, box.y + box.height / 2]; }"
    )
    before = page.screenshot()
    page.mouse.move(*middle)
    hovered = page.evaluate("() => [...document.querySelectorAll(':hover')].map(part => part.tagName)")
    assert page.screenshot() == before
    assert "MAIN" in hovered
    assert not {"svg", "g", "text", "SECTION"} & set(hovered)
    assert page.evaluate("() => document.querySelectorAll('[title], button, a, input').length") == 0


def test_the_heart_beats_and_the_clock_runs_with_received_data_only(wall: Wall) -> None:
    beat = "() => document.querySelector('#beat').className + document.querySelector('#clock').textContent"
    wall.hear(at(12))
    first = wall.page.evaluate(beat)
    wall.page.clock.run_for(3_000)
    assert wall.page.evaluate(beat) == first, "time alone moves nothing"
    wall.hear(at(12) + 1_000)
    assert wall.page.evaluate(beat) != first


def test_a_wall_that_hears_nothing_cannot_be_mistaken_for_a_live_one(wall: Wall) -> None:
    wall.hear(at(12))
    wall.page.clock.run_for(7_000)
    assert wall.page.inner_text("#no-data") == "NO DATA SINCE 12:00:00"
    assert wall.page.inner_text("#link") == "NO DATA"
    tall = wall.page.evaluate("() => document.querySelector('#no-data').getBoundingClientRect().height")
    assert tall >= 48
    grey = "() => getComputedStyle(document.querySelector('#schematic')).filter"
    assert "grayscale(1)" in wall.page.evaluate(grey)
    assert wall.page.evaluate(
        "() => [...document.querySelectorAll('.arrow')].every(a => getComputedStyle(a).display === 'none')"
    )


def test_a_new_version_of_the_program_is_fetched_within_a_minute(wall: Wall) -> None:
    wall.hear(at(12))
    wall.pass_by(1_000)
    assert wall.loads == 1
    wall.version = "99.0"
    with wall.page.expect_navigation():
        wall.page.clock.fast_forward(CHECK_MS)
    assert wall.loads == 2


def test_after_a_minute_without_data_the_page_is_fetched_anew_but_only_from_a_server_that_answers(wall: Wall) -> None:
    wall.hear(at(12), ok=False)
    wall.answers = False
    wall.page.clock.run_for(61_000)
    wall.page.wait_for_function("() => true")
    assert wall.loads == 1, "a page that says NO DATA is better than the browser's page of an error"
    wall.answers = True
    with wall.page.expect_navigation():
        wall.page.clock.fast_forward(CHECK_MS)
    assert wall.loads == 2


def test_the_page_is_fetched_anew_once_a_day_at_night(wall: Wall) -> None:
    wall.answers = False
    wall.page.clock.fast_forward(3 * 3_600_000)
    wall.hear(at(3, 58))
    wall.answers = True
    wall.pass_by(CHECK_MS)
    assert wall.loads == 1
    wall.hear(at(4, 1))
    with wall.page.expect_navigation():
        wall.page.clock.fast_forward(CHECK_MS)
    assert wall.loads == 2
