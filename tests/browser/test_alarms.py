"""The alarm pages as a person uses them: acknowledge, shelve, keys, filter, groups, record, journal, figures."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from plantview.config import load_plant
from plantview.notifying.message import Call, alarm_message
from tests.browser.seeing import seen
from tests.conftest import CHECKOUT
from tests.running import Running, running

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]
FAULTS = ("pump-trip:CWP-1@250", "pump-trip:PCHWP-1@260", "device-silent:BC-2@330")
PAGES = ("/alarms", "/alarms/journal", "/alarms/figures", "/alarms/record?id=BC-2.SILENT")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Return a demo in which two pumps trip and a controller falls silent."""
    faults = [word for fault in FAULTS for word in ("--fault", fault)]
    with running(["demo", "--speed", "10", "--past", "0", *faults], tmp_path_factory.mktemp("alarms")) as started:
        started.wait_line("open http://")
        wanted = {"CWP-1.RUN", "PCHWP-1.RUN", "BC-2.SILENT"}
        started.until(lambda: wanted <= {row["id"] for row in started.get("/api/v1/alarms")["active"]}, 60)
        yield started


def listed(demo: Running, alarm: str) -> dict[str, object]:
    told = demo.get("/api/v1/alarms")
    return next((row for part in ("active", "shelved") for row in told[part] if row["id"] == alarm), {})


@pytest.mark.parametrize(("size", "theme"), [("wall", "dark"), ("laptop", "light"), ("phone", "dark")])
def test_every_alarm_page_fits_says_nothing_in_the_console_and_does_not_blink(
    demo: Running, browser: Browser, size: str, theme: str
) -> None:
    for path in PAGES:
        with seen(browser, demo.url + path, size, theme) as watched:
            page = watched.page
            page.wait_for_function("() => window.plantview && window.plantview.state.alarms.active.length > 1")
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
            moving = "() => document.getAnimations().filter((item) => item.playState === 'running').length"
            assert page.evaluate(moving) == 0
            assert watched.console == []


def test_a_filter_a_group_and_one_act_for_all_of_it(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/alarms") as watched:
        page = watched.page
        page.wait_for_selector('#active-rows tr[data-id="CWP-1.RUN"]')
        page.fill("#alarm-filter", "PCHWP")
        expect(page.locator("#active-rows tr[data-id]")).to_have_count(1)
        page.fill("#alarm-filter", "")
        page.check("#alarm-grouped")
        page.click("[data-group='PCHWP-1']")
        expect(page.locator("#acknowledge-answer")).to_contain_text("Enter your initials first")
        assert listed(demo, "PCHWP-1.RUN")["acked"] is False
        page.fill("#initials", "MK")
        page.fill("#comment", "on my way")
        page.click("[data-group='PCHWP-1']")
        expect(page.locator("#acknowledge-answer")).to_contain_text("by MK")
        demo.until(lambda: listed(demo, "PCHWP-1.RUN").get("acked") is not False)
        page.reload()
        assert page.is_checked("#alarm-grouped")


def test_a_shelf_asks_for_a_reason_and_ends_where_it_is_listed(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/alarms") as watched:
        page = watched.page
        page.wait_for_selector('#active-rows tr[data-id="BC-2.SILENT"]')
        page.fill("#initials", "MK")
        page.click("[data-shelve='BC-2.SILENT']")
        page.click("#shelf-do")
        expect(page.locator("#shelf-answer")).to_contain_text("Give a reason")
        page.fill("#shelf-reason", "controller is being replaced")
        page.click("#shelf-do")
        expect(page.locator("#aside-rows")).to_contain_text("controller is being replaced")
        assert listed(demo, "BC-2.SILENT")["state"] == "SHLVD"
        page.click("[data-unshelve='BC-2.SILENT']")
        page.wait_for_selector('#active-rows tr[data-id="BC-2.SILENT"]')


def test_the_list_is_worked_by_keyboard_alone(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/alarms") as watched:
        page = watched.page
        page.wait_for_selector('#active-rows tr[data-id="CWP-1.RUN"]')
        page.fill("#initials", "MK")
        page.fill("#comment", "a")
        assert listed(demo, "CWP-1.RUN")["acked"] is False, "a letter in a field is no key of the list"
        page.locator("#active-rows tr[tabindex='0']").focus()
        page.keyboard.press("End")
        while page.evaluate("document.activeElement.dataset.id") != "CWP-1.RUN":
            before = page.evaluate("document.activeElement.dataset.id")
            page.keyboard.press("ArrowUp")
            assert page.evaluate("document.activeElement.dataset.id") != before
        page.keyboard.press("a")
        demo.until(lambda: listed(demo, "CWP-1.RUN").get("acked") is not False)


def test_from_the_list_to_cause_trend_and_history_in_one_step(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/alarms", "phone") as watched:
        page = watched.page
        page.click("#active-rows tr[data-id='BC-2.SILENT'] td.said a")
        expect(page.locator("#record-do")).to_contain_text("Device without power, network broken")
        expect(page.locator("#record-rule")).to_contain_text("BC-2.SILENT")
        expect(page.locator("#history-rows tr").last).to_contain_text("came")
        page.goto(demo.url + "/alarms/record?id=CWP-1.RUN")
        page.wait_for_selector("#record-trend path.trend-line", state="attached")
        further = page.locator("#record-trend a")
        expect(further.first).to_have_attribute("href", re.compile(r"^/trends\?p=CWP-1\.command&p=CWP-1\.status&from="))
        expect(further.last).to_have_attribute("href", re.compile(r"^/past\?at=20"))
        expect(page.locator("#record-now a")).to_have_attribute("href", "/equipment?id=CWP-1")
        page.goto(demo.url + "/alarms/record?id=CH-1.CHWS-LO")
        limit = page.locator("#record-rule dt:text-is('Limit') + dd")
        expect(page.locator("#record-trend svg")).to_contain_text(f"limit {limit.inner_text()}")
        expect(page.locator("#record-trend line.trend-limit")).to_have_count(1)


def test_from_the_mail_to_the_cause_on_a_phone_takes_no_more_than_three_taps(demo: Running, browser: Browser) -> None:
    told: Any = listed(demo, "BC-2.SILENT")
    texts = (told[key] for key in ("text", "action", "consequence"))
    call = Call(told["since_ms"], told["id"], told["equipment"], told["class"], told["priority"], *texts)
    mail = alarm_message(load_plant(CHECKOUT / "config" / "larkfield"), demo.url, [call])
    taps = [re.search(r"Cause and trend: (\S+)", mail.text)[1]]  # type: ignore[index]
    with seen(browser, taps[0], "phone") as watched:
        expect(watched.page.locator("#record-do")).to_contain_text("Device without power, network broken")
        expect(watched.page.locator("#alarm-strip .alarm-row").first).to_be_visible()
        cause, strip = (
            watched.page.locator(one).bounding_box() for one in ("#record-do dd:nth-of-type(2)", "#alarm-strip")
        )
    assert len(taps) <= 3
    assert cause is not None
    assert strip is not None
    assert cause["y"] + cause["height"] <= strip["y"], "the cause is on the first screen, and nothing lies over it"


def test_from_the_phone_page_to_the_cause_is_one_tap(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/m", "phone") as watched:
        watched.page.click("#alarms a:has-text('No answer from pump room controller')")
        expect(watched.page.locator("#record-do")).to_contain_text("Device without power, network broken")
        assert watched.console == []


def test_an_alarm_is_commented_shelved_and_acknowledged_on_its_record(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/alarms/record?id=BC-2.SILENT") as watched:
        page = watched.page
        page.click("[data-act='comment']")
        expect(page.locator("#record-said")).to_contain_text("Enter your initials first")
        page.fill("#initials", "MK")
        page.click("[data-act='comment']")
        expect(page.locator("#record-said")).to_contain_text("write what there is to say")
        page.fill("#comment", "electrician is on the way")
        page.click("[data-act='comment']")
        expect(page.locator("#history-rows tr").first).to_contain_text("electrician is on the way")
        page.click("[data-act='shelve']")
        page.fill("#shelf-reason", "controller is being replaced")
        page.click("#shelf-do")
        expect(page.locator("#record-now")).to_contain_text("shelved")
        page.click("[data-act='unshelve']")
        page.click("[data-act='acknowledge']")
        expect(page.locator("#record-now")).to_contain_text("active, acknowledged")
        expect(page.locator("[data-act='acknowledge']")).to_be_hidden()
    demo.until(lambda: listed(demo, "BC-2.SILENT").get("acked_by") == "MK")


def test_the_journal_is_searched_on_the_page_and_leaves_as_a_file(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/alarms/journal") as watched:
        page = watched.page
        page.fill("#journal-text", "CWP-1.RUN")
        page.wait_for_selector("#lines-rows[data-search='CWP-1.RUN']")
        expect(page.locator("#lines-rows tr").last).to_contain_text("came")
        for line in page.locator("#lines-rows tr").all():
            assert "CWP-1.RUN" in line.inner_text()
        with page.expect_download() as download:
            page.click("#journal-export")
        text = download.value.path().read_text(encoding="utf-8-sig")
        assert text.splitlines()[0].startswith("line,time_utc")
        assert "CWP-1.RUN" in text


def test_the_strip_and_the_count_stand_on_other_pages_too(demo: Running, browser: Browser) -> None:
    for path in ("/points", "/devices", "/alarms/journal"):
        with seen(browser, demo.url + path) as watched:
            expect(watched.page.locator("#alarm-strip .alarm-row").first).to_be_visible()
            assert watched.page.locator(".pages [data-page='/alarms'] .count").count() == 1


def test_the_figures_say_that_nobody_is_told_by_message(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/alarms/figures") as watched:
        expect(watched.page.locator("#figures-rows tr").first).to_contain_text("too early")
        expect(watched.page.locator("#notices-none")).to_contain_text("no notifications.toml")
        expect(watched.page.locator("#top-rows tr").first).to_be_visible()
