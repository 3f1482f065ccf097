"""Looking back as somebody sees it: an opened package, no device, and no doubt that it is the past."""

from __future__ import annotations

import asyncio
import re
import socket
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from plantview.alarms import AlarmStore
from plantview.alarms.journal import Entry
from plantview.clock import ManualClock, SystemClock
from plantview.config import load_plant
from plantview.config.ports import free_port
from plantview.evidence import Sources, build
from plantview.history import Samples, Store
from plantview.history.room import Limits
from plantview.model.reading import Frame, good
from plantview.model.signal import signal_of
from plantview.startup import Checkout, Event, Memory, marker
from plantview.web.routes import PAGES
from tests.browser.seeing import SIZES, THEMES, seen
from tests.conftest import CHECKOUT
from tests.running import Running, running
from tests.unit.test_import_replay import RUNNING

pytestmark = [pytest.mark.browser, pytest.mark.timeout(120)]

PICTURES = Path(__file__).parent / "pictures"
HOUR_MS = 3_600_000
NOON_MS = round(datetime(2026, 7, 14, 10, 0, tzinfo=UTC).timestamp() * 1_000)
"""Noon of a summer day in Vienna."""
SPAN = NOON_MS - 2 * HOUR_MS, NOON_MS + 2 * HOUR_MS
CALL_MS = NOON_MS + 30 * 60_000
MARK_MS = NOON_MS + 10 * 60_000


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Return an opened package of four hours in which a power rises by 1 kW a minute and one alarm comes and goes."""
    folder = tmp_path_factory.mktemp("opened")
    plant = load_plant(CHECKOUT / "config" / "orchard")
    signals = {name: signal_of(point) for name, point in plant.points.items()}
    at_ms = np.arange(SPAN[0], SPAN[1], 10_000, dtype=np.int64)
    fine = np.zeros(at_ms.size, np.uint8), ("",) * at_ms.size
    samples = {name: Samples(at_ms, np.full(at_ms.size, value), *fine) for name, value in RUNNING.items()}
    samples["CH-1.power"] = Samples(at_ms, ((at_ms - SPAN[0]) // 60_000 + 100).astype(np.float64), *fine)
    data = folder / "data"
    store = Store(data, signals, SystemClock(), Limits(reserve_bytes=0))
    store.backfill(samples)
    store.seal(everything=True)
    store.close()
    alarms = AlarmStore(data, ManualClock(NOON_MS))
    name, words = str(plant.alarms[0]["id"]), "chilled water supply is warm"
    line = ("CH-1", "NORM", "UNACK", 2, "", words, True)
    alarms.write({}, {}, [Entry(SPAN[0], "ACK", "other", "CH-1", "UNACK", "NORM", 3, "mk", "", annunciated=False)])
    alarms.write({}, {}, [Entry(CALL_MS, "ANN", name, *line)])
    alarms.write({}, {}, [Entry(CALL_MS + 600_000, "RTN", name, "CH-1", "UNACK", "NORM", 2, "", words, False)])
    alarms.close()
    memory = Memory(data)
    memory.note([marker(MARK_MS, "strainer cleaned", "AB")])
    memory.note(
        [Event(MARK_MS - 30_000, 5_000, 0, "scan", "status", "CHWP-1", "CHWP-1.status", "OFF", "RUN", "run status")]
    )
    sheet = Checkout(plant, memory, ManualClock(MARK_MS))
    frame = Frame(1, MARK_MS, {"CH-1.power": good(230.0, MARK_MS)})
    sheet.check(frame, "CH-1.power", {"hand": 240.0, "tolerance": 2.0, "comment": "clamp meter"}, "AB")
    memory.close()
    file = folder / "orchard.plantview.zip"
    asyncio.run(build(Sources(plant, data, signals), SPAN, file))
    port = free_port(socket.SOCK_STREAM)
    with running(["open", str(file), "--port", str(port)], Path(folder), port) as started:
        started.wait_line("look back at http://")
        yield started


def at(moment_ms: int) -> str:
    return datetime.fromtimestamp(moment_ms / 1_000, UTC).isoformat().replace("+00:00", "Z")


def power(page: Page) -> str:
    return page.locator("#schematic [data-signal='CH-1.power'] .number").first.text_content() or ""


def shows(page: Page, clock: str) -> None:
    expect(page.locator("#past-words")).to_contain_text(clock)


def test_the_moment_of_the_address_is_shown_and_said_to_be_past_in_words_shape_and_title(
    site: Running, browser: Browser
) -> None:
    opened: list[str] = []
    with seen(browser, f"{site.url}/past?at={at(NOON_MS)}") as watched:
        page = watched.page
        page.on("websocket", lambda socket_: opened.append(socket_.url))
        shows(page, "Tue 14 Jul 2026 12:00:00 GMT+2")
        expect(page.locator("#schematic [data-signal='CH-1.power'] .number").first).to_have_text("220.0")
        expect(page.locator(".past-mark")).to_have_text("PAST")
        expect(page.locator("#link")).to_have_text("PAST")
        assert "Nothing here is live, and nothing can be done here" in page.inner_text("#past-words")
        assert page.title().startswith("PAST 12:00:00")
        stripe = page.evaluate("() => getComputedStyle(document.body, '::after').borderImageSource")
        assert "repeating-linear-gradient" in stripe
        assert "LIVE" not in page.inner_text("body").replace("live", "")
        page.locator("#past-show").click()
        shows(page, "12:00:00")
        assert opened == []
        assert watched.console == []
        assert watched.hosts == {f"127.0.0.1:{site.port}"}


def test_nothing_can_be_acknowledged_shelved_or_commanded_there(site: Running, browser: Browser) -> None:
    posted: list[str] = []
    with seen(browser, f"{site.url}/past?at={at(CALL_MS + 60_000)}") as watched:
        page = watched.page
        page.on("request", lambda asked: posted.append(asked.url) if asked.method == "POST" else None)
        expect(page.locator("#past-alarms")).to_contain_text("chilled water supply is warm")
        expect(page.locator("#past-alarms")).to_contain_text("not acknowledged")
        words = " ".join(page.locator("#page button, #page a").all_inner_texts()).lower()
        assert not re.search(r"acknowledge|shelve|reset|\barm\b|override|release|out of service", words)
        assert page.locator("#past-alarms button, #past-alarms a, #past-alarms input").count() == 0
        page.locator("#past-alarms li").click()
        page.keyboard.press("a")
        page.keyboard.press("m")
        assert [url for url in posted if "_dash" not in url] == []
        assert page.url.startswith(f"{site.url}/past")
    for path in ("alarms/acknowledge", "alarms/act"):
        assert site.get(f"/api/v1/{path}")["status"] == 405


def test_step_play_pause_and_jump_move_the_moment_and_the_address_follows(site: Running, browser: Browser) -> None:
    with seen(browser, f"{site.url}/past?at={at(NOON_MS)}") as watched:
        page = watched.page
        shows(page, "12:00:00")
        page.get_by_role("button", name="A minute on").click()
        shows(page, "12:01:00")
        assert power(page) == "221.0"
        page.get_by_role("button", name="An hour back").click()
        shows(page, "11:01:00")
        expect(page).to_have_url(re.compile(r"at=2026-07-14T09%3A01%3A00Z"))
        page.get_by_role("button", name="Next alarm or marker").click()
        shows(page, "12:10:00")
        expect(page.locator(".past-call.marker")).to_have_count(1)
        expect(page.get_by_role("button", name="Previous alarm or marker")).to_be_disabled()
        page.get_by_role("button", name="Next alarm or marker").click()
        shows(page, "12:30:00")
        expect(page.locator("#past-alarms")).to_contain_text("since 12:30, active")
        expect(page.get_by_role("button", name="Next alarm or marker")).to_be_disabled()
        page.get_by_role("button", name="600 times as fast").click()
        page.get_by_role("button", name="Play", exact=True).click()
        expect(page.locator("#past-words")).to_contain_text(re.compile(r"12:5\d|13:"), timeout=20_000)
        expect(page.locator("#past-alarms")).to_contain_text("No alarms stood then")
        page.get_by_role("button", name="Pause").click()
        shown = re.search(r"(\d\d):(\d\d):\d\d", page.inner_text("#past-words"))
        assert shown is not None
        minutes = int(shown[1]) * 60 + int(shown[2])
        assert power(page) == f"{minutes - 600 + 100:.1f}"
        page.reload()
        shows(page, shown[0][:5])


ANSWERED = """() => {
  const ours = (url) => /[/]past[?]at=/.test(String(url)), ask = window.fetch, read = Response.prototype.json;
  window.waitingFor = 0;
  window.fetch = (url, ...more) => { window.waitingFor += ours(url); return ask(url, ...more); };
  Response.prototype.json = async function () {
    try { return await read.call(this); } finally { window.waitingFor -= ours(this.url); }
  };
}"""
"""Counts the questions for frames that were asked and not read yet."""


def all_read(page: Page) -> None:
    """Wait until the page has every frame that it asked for: its own clock stands, so nothing else moves meanwhile."""
    for _ in range(1_000):
        if page.evaluate("() => window.waitingFor") == 0:
            return
    raise AssertionError("an answer was asked for and never read")


def test_play_moves_as_many_seconds_a_second_as_the_button_says(site: Running, browser: Browser) -> None:
    moment = datetime(2026, 7, 14, 10, 1)  # noqa: DTZ001 - the page shows the site's own clock
    with browser.new_context() as context:
        page = context.new_page()
        page.clock.install()
        page.add_init_script(f"({ANSWERED})()")
        page.goto(f"{site.url}/past?at={at(SPAN[0] + 60_000)}")
        shows(page, "10:01:00")
        page.clock.pause_at(datetime.now(UTC) + timedelta(minutes=1))
        speeds = [int(words.rstrip("×")) for words in page.locator("[data-speed]").all_inner_texts()]
        assert (speeds[0], speeds[-1]) == (1, 600)
        for speed in speeds:
            page.locator(f"[data-speed='{speed}']").click()
            all_read(page)  # of the speed before: what is still asked for then fills nothing
            with page.expect_response(re.compile("/api/v1/past[?]at=")) as filled:
                page.get_by_role("button", name="Play", exact=True).click()
            assert filled.value.ok
            all_read(page)
            page.clock.run_for(2_000)
            moment += timedelta(seconds=2 * speed)
            shows(page, moment.strftime("%H:%M:%S"))
            page.get_by_role("button", name="Pause").click()


def heard(page: Page, sockets: list[str], posted: list[str]) -> None:
    """Note every socket that a page opens and everything that it posts."""
    page.on("websocket", lambda opened: sockets.append(opened.url))
    page.on("request", lambda asked: posted.append(asked.url) if asked.method == "POST" else None)


def test_every_page_of_the_past_says_so_asks_for_nothing_live_and_can_do_nothing(
    site: Running, browser: Browser
) -> None:
    below = [path for path in PAGES if path.startswith("/past")]
    assert len(below) >= 4
    chosen = {"/past/loop": "&id=chw", "/past/machine": "&id=CH-1"}
    for path in below:
        sockets, posted = list[str](), list[str]()
        with seen(browser, f"{site.url}{path}?at={at(NOON_MS)}{chosen.get(path, '')}") as watched:
            page = watched.page
            heard(page, sockets, posted)
            shows(page, "12:00:00")
            expect(page.locator(".past-mark")).to_have_text("PAST")
            expect(page.locator("#link")).to_have_text("PAST")
            assert page.title().startswith("PAST 12:00:00")
            stripe = page.evaluate("() => getComputedStyle(document.body, '::after').borderImageSource")
            assert "repeating-linear-gradient" in stripe
            expect(page.locator("#mark")).to_have_count(0)
            page.keyboard.press("m")
            expect(page.locator("dialog")).to_have_count(0)
            words = " ".join(page.locator("#page button, #page a").all_inner_texts()).lower()
            assert not re.search(r"acknowledge|shelve|reset|\barm\b|override|release|out of service|\bcheck\b", words)
            assert (sockets, [url for url in posted if "_dash" not in url]) == ([], [])
            assert watched.console == []


def test_start_up_notes_of_a_package_stand_up_to_the_moment_and_lead_to_theirs(site: Running, browser: Browser) -> None:
    with seen(browser, f"{site.url}/past/startup?at={at(NOON_MS)}") as watched:
        page = watched.page
        expect(page.locator("#past-events-answer")).to_have_text("Nothing was noted up to this moment.")
        page.get_by_role("button", name="Next alarm or marker").click()
        shows(page, "12:10:00")
        expect(page.locator("#past-events-rows tr")).to_have_count(2)
        expect(page.locator("#past-events-rows tr").first).to_contain_text("strainer cleaned (AB)")
        expect(page.locator("#past-events-rows tr").last).to_contain_text("run status: OFF → RUN")
        expect(page.locator("#past-checked-rows tr")).to_contain_text("clamp meter")
        expect(page.locator("#past-checked-rows .verdict")).to_have_text("FAIL")
        assert page.locator("#page input:not([type=range]):not([type=datetime-local]), #page select").count() == 0
        assert watched.console == []
        page.locator("#past-events-rows a").last.click()
        page.wait_for_url(re.compile(r"/past\?at="))
        shows(page, "12:09:30")
        page.goto(f"{site.url}/startup/checkout")
        page.get_by_role("link", name="Look back at it").click()
        page.wait_for_url(re.compile("/past/startup"))


def test_play_ends_where_the_history_ends_and_says_so(site: Running, browser: Browser) -> None:
    with seen(browser, f"{site.url}/past?at={at(SPAN[1] - 20 * 60_000)}") as watched:
        page = watched.page
        shows(page, "13:40:00")
        page.get_by_role("button", name="600 times as fast").click()
        page.get_by_role("button", name="Play", exact=True).click()
        expect(page.locator("#past-trouble")).to_have_text("This is the end of what was kept.", timeout=20_000)
        expect(page.get_by_role("button", name="Play", exact=True)).to_be_visible()


def test_a_machine_opens_at_the_same_moment_and_the_live_page_leads_back(site: Running, browser: Browser) -> None:
    with seen(browser, f"{site.url}/past?at={at(NOON_MS)}") as watched:
        page = watched.page
        shows(page, "12:00:00")
        page.locator("#schematic .machine[data-equipment='CH-1']").first.focus()
        page.keyboard.press("Enter")
        page.wait_for_url(re.compile(r"/past/machine\?id=CH-1&at="))
        shows(page, "12:00:00")
        expect(page.locator(".past-mark")).to_be_visible()
        page.goto(f"{site.url}/")
        expect(page.locator("#page")).to_contain_text("No device is asked here")
        page.get_by_role("link", name="Look back at it").click()
        page.wait_for_url(re.compile("/past"))
        shows(page, "2026")


@pytest.mark.parametrize("size", SIZES)
def test_no_barrier_no_sideways_scroll_and_targets_for_fingers(site: Running, browser: Browser, size: str) -> None:
    for theme in THEMES:
        with seen(browser, f"{site.url}/past?at={at(CALL_MS)}", size, theme) as watched:
            page = watched.page
            expect(page.locator("#schematic [data-signal='CH-1.power'] .number").first).to_have_text("250.0")
            expect(page.locator("#past-alarms li")).to_have_count(1)
            found = Axe().run(page).response["violations"]
            assert [(rule["id"], rule["nodes"][0]["html"][:120]) for rule in found] == []
            assert page.evaluate("() => document.documentElement.scrollWidth <= window.innerWidth")
            heights = page.evaluate(
                "() => [...document.querySelectorAll('#past-control button, #past-control input[type=datetime-local]')]"
                ".map((each) => each.getBoundingClientRect().height)"
            )
            assert min(heights) >= 44
            page.screenshot(path=PICTURES / f"past-{size}-{theme}.png")
