"""What a person sees: live numbers that agree with the API, and plain words when there are none. ``test_every_page`` walks all pages."""

from __future__ import annotations

import os
import re
import signal

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.seeing import seen
from tests.running import Running

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]


@pytest.fixture(scope="module")
def demo(shared_demo: Running) -> Running:
    return shared_demo


NUMBER = """name => {
    const said = window.plantview && window.plantview.text(name);
    return said ? String(said.number) : '';
}"""


def test_a_number_on_the_drawing_changes_to_what_the_api_says(demo: Running, browser: Browser) -> None:
    """The page may be one message older than the API, so both are asked until they agree on a new number."""
    with seen(browser, demo.url) as watched:
        page = watched.page
        page.wait_for_selector("#schematic svg [data-signal]")
        name = "PLANT.power_input"
        page.wait_for_function(f"() => ({NUMBER})('{name}') !== ''")
        shown = "() => document.querySelector('[data-signal$=\".chws_temp\"]').textContent"
        first = page.evaluate(f"({NUMBER})('{name}')")
        page.wait_for_function(f"first => ({NUMBER})('{name}') !== first", arg=first)
        assert page.evaluate(shown).strip()

        def agrees() -> bool:
            value = demo.values("?units=ip")[name]["value"]
            drawn = float(page.evaluate(f"({NUMBER})('{name}')").replace(",", ""))
            return bool(abs(drawn - value) <= 0.06)

        assert demo.until(agrees)


def test_the_devices_page_says_what_history_keeps_and_within_which_bounds(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/devices") as watched:
        watched.page.wait_for_selector("#history-store-rows tr:nth-child(8)")
        rows = watched.page.locator("#history-store-rows").inner_text()
    assert "at most 20 GB, then the oldest month goes" in rows
    assert "2 years" in rows
    assert "undefined" not in rows
    assert "NaN" not in rows


def test_units_can_be_switched_and_every_temperature_follows(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url) as watched:
        page = watched.page
        page.wait_for_selector("#schematic svg [data-signal$='.chws_temp']")
        read = "() => document.querySelector('#schematic [data-signal$=\".chws_temp\"] .number').textContent"
        page.wait_for_function(f"() => /\\d/.test(({read})())")
        in_ip = float(page.evaluate(read))
        page.evaluate("() => { localStorage.setItem('plantview.units', 'si'); }")
        page.reload()
        page.wait_for_selector("#schematic svg [data-signal$='.chws_temp'] .number")
        page.wait_for_function(f"() => /\\d/.test(({read})())")
        in_si = float(page.evaluate(read))
        assert in_si == pytest.approx((in_ip - 32) / 1.8, abs=1.5)


def test_a_value_opens_its_last_hour_and_says_where_it_comes_from(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url) as watched:
        page = watched.page
        value = page.wait_for_selector("#schematic svg [data-signal$='.chws_temp']")
        assert value is not None
        value.focus()
        page.keyboard.press("Enter")
        page.wait_for_selector("#detail:not([hidden])")
        page.wait_for_function("() => /good/.test(document.querySelector('#detail').innerText)")
        text = page.inner_text("#detail")
        assert "PANEL" in text
        assert "holding" in text
        page.keyboard.press("Escape")
        page.wait_for_selector("#detail", state="hidden")


def test_the_page_says_that_the_field_is_gone_and_recovers_alone(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url) as watched:
        page = watched.page
        page.wait_for_function("() => window.plantview && window.plantview.state.link.ok")
        os.kill(demo.children()["field"], signal.SIGKILL)
        page.wait_for_function("() => document.body.classList.contains('stale-page')", timeout=15_000)
        assert "NO DATA SINCE" in page.inner_text("body")
        page.wait_for_function("() => !document.body.classList.contains('stale-page')", timeout=40_000)
        page.wait_for_function("() => window.plantview.state.readings['PLANT.kw_per_ton'][1] === 0", timeout=40_000)


def test_a_page_that_hears_nothing_goes_stale_and_comes_back(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url) as watched:
        page = watched.page
        page.wait_for_function("() => window.plantview && window.plantview.state.link.ok")
        web = demo.children()["web"]
        os.kill(web, signal.SIGSTOP)
        try:
            page.wait_for_function("() => document.body.classList.contains('stale-page')", timeout=15_000)
        finally:
            os.kill(web, signal.SIGCONT)
        page.wait_for_function("() => !document.body.classList.contains('stale-page')", timeout=40_000)


def test_the_address_holds_what_is_shown_and_in_which_units(demo: Running, browser: Browser) -> None:
    with seen(browser, demo.url + "/points?show=ch-1+chws&units=si") as watched:
        page = watched.page
        expect(page.locator("tr:has(td[data-signal='CH-1.chws_temp'])")).to_contain_text("°C", timeout=20_000)
        assert page.input_value("#filter") == "ch-1 chws"
        expect(page.locator("#points-rows tr:visible")).not_to_have_count(0)
        page.fill("#filter", "no such thing")
        expect(page).to_have_url(re.compile(r"show=no\+such\+thing"))
        expect(page.locator("#point-none")).to_be_visible()
        page.click("#units")
        expect(page).to_have_url(re.compile("units=ip"))
        assert watched.console == []
