"""The wall and the phone page as somebody sees them: live, silent, and alive again without a touch."""

from __future__ import annotations

import os
import signal

import pytest
from playwright.sync_api import Browser

from tests.browser.seeing import seen
from tests.running import Running

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]


@pytest.fixture(scope="module")
def demo(shared_demo: Running) -> Running:
    return shared_demo


def test_the_wall_fits_one_screen_beats_with_the_data_and_says_when_it_is_frozen(
    demo: Running, browser: Browser
) -> None:
    with seen(browser, f"{demo.url}/wall", "wall") as watched:
        page = watched.page
        page.wait_for_function("() => document.querySelector('#link').textContent === 'LIVE'")
        page.wait_for_selector("#schematic svg .value .number")
        assert page.evaluate("() => document.documentElement.scrollHeight <= window.innerHeight")
        assert page.evaluate("() => document.querySelectorAll('button, a, input').length") == 0
        beat = "() => document.querySelector('#beat').className + document.querySelector('#clock').textContent"
        first = page.evaluate(beat)
        page.wait_for_function(f"first => ({beat})() !== first", arg=first)
        field = demo.children()["field"]
        os.kill(field, signal.SIGSTOP)
        try:
            page.wait_for_function("() => document.body.classList.contains('stale-page')", timeout=20_000)
            assert "NO DATA SINCE" in page.inner_text("#no-data")
            frozen = page.evaluate(beat)
            page.wait_for_function("() => document.querySelector('#link').textContent === 'NO DATA'")
            assert page.evaluate(beat) == frozen
        finally:
            os.kill(field, signal.SIGCONT)
        page.wait_for_function("() => !document.body.classList.contains('stale-page')", timeout=30_000)
        assert watched.console == []
        assert watched.hosts == {f"127.0.0.1:{demo.port}"}


def test_the_phone_page_is_live_narrow_and_says_when_no_answer_comes(demo: Running, browser: Browser) -> None:
    with seen(browser, f"{demo.url}/m", "phone") as watched:
        page = watched.page
        page.wait_for_function("() => document.querySelector('#age').textContent.startsWith('LIVE')", timeout=15_000)
        for width in (390, 320):
            page.set_viewport_size({"width": width, "height": 700})
            assert page.evaluate("() => document.documentElement.scrollWidth <= window.innerWidth")
        first = page.inner_text("#age")
        page.wait_for_function(
            "first => document.querySelector('#age').textContent !== first", arg=first, timeout=15_000
        )
        assert "CH-1" in page.inner_text("main")
        page.context.set_offline(True)
        page.wait_for_function("() => document.body.classList.contains('lost')", timeout=30_000)
        assert "NO ANSWER FOR" in page.inner_text("#age")
        page.context.set_offline(False)
        page.wait_for_function("() => !document.body.classList.contains('lost')", timeout=30_000)
        assert watched.hosts == {f"127.0.0.1:{demo.port}"}
