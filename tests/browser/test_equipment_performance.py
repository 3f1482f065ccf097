"""The page of each kind of machine and the performance page: filled, closing by hand, readable by everybody."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests.browser.seeing import SIZES, THEMES, seen
from tests.running import Running

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]
MACHINES = ("CH-1", "CT-1", "PCHWP-1")
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"]}
SIDEWAYS = "() => document.documentElement.scrollWidth <= window.innerWidth"


@pytest.fixture(scope="module")
def demo(fast_demo: Running) -> Running:
    return fast_demo


def _accessible(page: Page) -> None:
    found = Axe().run(page, options=RULES).response["violations"]
    assert [(each["id"], [node["html"][:120] for node in each["nodes"]]) for each in found] == []
    assert page.evaluate(SIDEWAYS)


@pytest.mark.parametrize(("machine", "theme"), [("CH-1", "dark"), ("PCHWP-1", "light")])
def test_a_machines_page_is_filled_and_readable_at_every_size(
    demo: Running, browser: Browser, machine: str, theme: str
) -> None:
    with seen(browser, f"{demo.url}/equipment?id={machine}", "laptop", theme) as watched:
        page = watched.page
        page.wait_for_function("id => document.body.dataset.equipment === id", arg=machine)
        page.wait_for_selector("#schematic svg")
        assert page.inner_text("#equipment-name") == machine
        assert page.query_selector_all("#equipment-read [data-row]")
        assert "Loading" not in page.inner_text("#equipment")
        for width, height in SIZES.values():
            page.set_viewport_size({"width": width, "height": height})
            _accessible(page)
        assert watched.console == []


def test_values_of_a_machine_close_by_hand_as_displayed(demo: Running, browser: Browser) -> None:
    """Power over tons is kW/ton, of the numbers in one row of readings of the page."""
    with seen(browser, f"{demo.url}/equipment?id=CH-1") as watched:
        page = watched.page
        page.wait_for_function("() => document.body.dataset.equipment")
        read = """() => Object.fromEntries(['kw_per_ton', 'power', 'cooling_load_tons'].map(
            name => [name, window.plantview.text('CH-1.' + name).number]))"""
        page.wait_for_function(f"() => Object.values(({read})()).every(Boolean)")

        def closes() -> bool:
            told = {name: float(str(text).replace(",", "")) for name, text in page.evaluate(read).items()}
            return abs(told["power"] / told["cooling_load_tons"] - told["kw_per_ton"]) <= 0.003

        assert demo.until(closes)


def test_the_list_leads_to_every_machine(demo: Running, browser: Browser) -> None:
    with seen(browser, f"{demo.url}/equipment") as watched:
        page = watched.page
        page.wait_for_selector("#equipment-list:not([hidden])")
        links = [link.get_attribute("href") for link in page.query_selector_all("#equipment-list a")]
        assert {f"/equipment?id={machine}" for machine in MACHINES} <= set(links)
        _accessible(page)


@pytest.mark.parametrize("theme", THEMES)
def test_the_performance_page_adds_up_as_displayed_and_is_readable(demo: Running, browser: Browser, theme: str) -> None:
    demo.until(lambda: (demo.get("/api/v1/performance?days=1")["rated_hours"] or 0) > 0.2, 60)
    with seen(browser, f"{demo.url}/performance", "laptop", theme) as watched:
        page = watched.page
        page.wait_for_function("() => document.body.dataset.performance === '1'")
        rows = [
            [cell.inner_text() for cell in row.query_selector_all("th, td")]
            for row in page.query_selector_all("#performance-groups tbody tr")
        ]
        rows = [[cell.partition("±")[0].strip() for cell in row] for row in rows]
        ratios = [float(row[3]) for row in rows]
        assert sum(ratios[:-1]) == pytest.approx(ratios[-1], abs=0.0005 * len(rows))
        energies = [float(re.sub(r"\s", "", row[1])) for row in rows]
        assert sum(energies[:-1]) == pytest.approx(energies[-1], abs=0.5 * len(rows))
        assert "[rates]" in page.inner_text("#performance-rates")
        assert "Unknown" in page.inner_text("#performance-best")
        assert page.query_selector("#performance-curve svg rect")
        for width, height in SIZES.values():
            page.set_viewport_size({"width": width, "height": height})
            _accessible(page)
        page.click("#performance-span [data-days='7']")
        page.wait_for_function("() => document.body.dataset.performance === '7'")
        assert watched.console == []
