"""The drawing as somebody sees, saves and prints it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any
from urllib.request import urlopen
from xml.etree import ElementTree as ET

import pytest
from playwright.sync_api import Browser

from tests.browser.seeing import seen
from tests.running import Running, running

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]

LIVE = "() => document.querySelector('#schematic .machine.chiller .word')?.textContent === 'RUN'"
SHOWN = """() => Object.fromEntries([...document.querySelectorAll('#schematic [data-equipment]')].map(machine => [
  machine.dataset.equipment, [machine.dataset.state, ...[...machine.children].filter(
    part => part.classList.contains('word')).map(part => part.textContent)]]))"""
A4_LANDSCAPE = (842, 595)
"""Points of 1/72 inch: 297 mm by 210 mm (ISO 216)."""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Return a running demo."""
    with running(["demo", "--past", "0"], tmp_path_factory.mktemp("demo")) as started:
        started.wait_line("open http://")
        started.until(lambda: started.values()["CH-1.chws_temp"]["quality"] == "GOOD", 30)
        yield started


@pytest.mark.parametrize("path", ["/", "/plant/loop?id=chw", "/plant/machine?id=CH-1"])
def test_a_drawing_prints_on_exactly_one_landscape_page(demo: Running, browser: Browser, path: str) -> None:
    with seen(browser, demo.url + path) as watched:
        watched.page.wait_for_function(LIVE)
        watched.page.evaluate("() => { window.print = () => {}; }")
        watched.page.locator("#drawing-print").click()
        printed = watched.page.pdf(prefer_css_page_size=True, print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
    wide, high = (float(each) for each in re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", printed)[0])
    assert (wide, high) == pytest.approx(A4_LANDSCAPE, abs=1.5)


def test_the_saved_drawing_says_what_the_page_says(demo: Running, browser: Browser) -> None:
    """Two programs fill the drawing, one in the browser and one on the server: they are asked at one moment."""
    with seen(browser, demo.url) as watched:
        page = watched.page
        page.wait_for_function(LIVE)
        assert page.locator("#drawing-save").get_attribute("download") is not None

        def both() -> tuple[Any, dict[str, list[str]]]:
            with urlopen(f"{demo.url}/schematic.svg?filled=1&units=ip", timeout=10) as answer:
                assert re.search(r'filename="larkfield-plant-[\d-]+\.svg"', answer.headers["content-disposition"])
                root = ET.fromstring(answer.read())  # noqa: S314 - our own text
            saved = {
                machine.get("data-equipment", ""): [
                    machine.get("data-state", ""),
                    *(part.text or "" for part in machine if "word" in part.get("class", "").split()),
                ]
                for machine in root.iter()
                if machine.get("data-equipment")
            }
            return page.evaluate(SHOWN), saved

        # a state may change between the two questions: then they are asked again
        assert demo.until(lambda: (pair := both())[0] == pair[1] and pair[1], 20)


def test_three_marks_tell_in_hand_held_by_another_and_stale_apart(demo: Running, browser: Browser) -> None:
    """The same three marks on the drawing and on the wall, in the browser's own pixels."""
    for path in ("/", "/wall"):
        with seen(browser, demo.url + path, "wall") as watched:
            page = watched.page
            page.wait_for_function(LIVE)
            page.evaluate(
                """() => {
                const { state, apply } = window.plantview, at = state.now_ms;
                const rows = {
                  "chw-supply.temp": [44, 2, "no answer in 2 s; value is 40 s old", at - 40000],
                  "chw-return.temp": [55, 1, "in hand at the device", at],
                };
                apply({ kind: "snapshot", link: { ok: true, since_ms: at }, now_ms: at,
                  readings: { ...state.readings, ...rows },
                  conditions: { ...state.conditions, "SCHWP-1": ["run", "RUN", "", true] } });
                window.marks = Object.fromEntries(["SCHWP-1", "chw-supply.temp", "chw-return.temp"].map(name => {
                  const part = document.querySelector(`[data-equipment="${name}"], [data-signal="${name}"]`);
                  const sign = part.querySelector(".sign-shape");
                  const number = part.querySelector(".number");
                  return [name, [sign ? sign.dataset.sign + sign.textContent : "", sign ? getComputedStyle(
                    sign.querySelector("path")).fill : "", part.querySelector(".unit")?.textContent || "",
                    number ? getComputedStyle(number).fontStyle : ""]];
                }));
            }"""
            )
            marks = page.evaluate("() => window.marks")
            violet = marks["SCHWP-1"][1]
            assert marks["SCHWP-1"][0] == "handH"
            assert marks["chw-return.temp"][:2] == ["heldO", violet]
            assert marks["chw-supply.temp"][0] == ""
            assert re.fullmatch(r"◷\d+s", marks["chw-supply.temp"][2])
            assert marks["chw-supply.temp"][3] == "italic"
