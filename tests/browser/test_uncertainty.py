"""How sure a derived value is stands beside it, in the unit that the viewer chose."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Browser

from tests.browser.seeing import seen
from tests.running import Running

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]


@pytest.fixture(scope="module")
def demo(fast_demo: Running) -> Running:
    return fast_demo


def test_the_detail_of_a_derived_value_says_how_sure_it_is(demo: Running, browser: Browser) -> None:
    told = demo.values("?units=ip")["PLANT.kw_per_ton"]
    assert 0 < told["u95"] < 0.2 * told["value"]
    with seen(browser, demo.url + "/points") as watched:
        page = watched.page
        page.locator('[data-signal="PLANT.kw_per_ton"]').first.click()
        page.wait_for_function(
            "() => /^± [0-9.]+ kW.ton, in 95 of 100/.test(document.querySelector('#detail-u95')?.textContent || '')"
        )
        shown = float(re.findall(r"[0-9.]+", page.locator("#detail-u95").inner_text())[0])
        assert shown == pytest.approx(told["u95"], rel=0.5)
        assert [line for line in watched.console if line.startswith("error")] == []


def test_the_balances_of_a_quarter_of_an_hour_are_told(demo: Running, browser: Browser) -> None:
    state = demo.until(lambda: _judged(demo), 60)
    assert state["state"] in ("CLOSES", "DOES NOT CLOSE")
    with seen(browser, demo.url + "/points") as watched:
        page = watched.page
        page.locator('[data-signal="PLANT.balance_state"]').first.click()
        page.wait_for_selector("#detail-value")
        assert "CLOSE" in page.locator("#detail-value").inner_text()


def _judged(demo: Running) -> dict[str, object] | None:
    state = demo.values()["PLANT.balance_state"]
    return state if state["value"] is not None else None
