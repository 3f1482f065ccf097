"""The drawing as somebody sees, saves and prints it."""

from __future__ import annotations

import re
from urllib.request import urlopen
from xml.etree import ElementTree as ET

import pytest
from playwright.sync_api import Browser

from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.derive import Derivation
from plantview.model.quality import Quality
from plantview.model.reading import Reading
from plantview.model.signal import signal_of
from plantview.web.schematic import draw
from plantview.web.schematic.filling import Moment
from plantview.web.schematic.sheet_alone import stand_alone
from tests.browser.seeing import seen
from tests.running import Running

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]

LIVE = "() => document.querySelector('#schematic .machine.chiller .word')?.textContent === 'RUN'"
SHOWN = r"""root => {
  const colours = part => { const style = getComputedStyle(part); return [style.fill, style.stroke, style.display, style.strokeDasharray, style.fontStyle]; };
  const all = (selector, tell) => [...root.querySelectorAll(selector)].map(tell);
  const classes = part => [...part.classList].filter(name => name !== 'opens').sort().join(' ');
  const inner = (part, names) => names.map(name => part.querySelector(name)).map(found => found && [found.textContent.trim(), ...colours(found)]);
  const sign = part => { const found = part.querySelector('.sign-shape'); return found && [found.dataset.sign, found.textContent, ...found.getAttribute('transform').match(/[\d.]+/g).slice(0, 2).map(Math.round), ...colours(found.querySelector('path'))]; };
  return {
    values: all('.value[data-signal]', part => [part.dataset.signal, classes(part), sign(part), ...inner(part, ['.number', '.unit', '.hit', '.void'])]),
    machines: all('.machine[data-equipment]', part => [part.dataset.equipment, part.dataset.state, classes(part), sign(part),
      ...inner(part, [':scope > .mass', ':scope > .half', ':scope > .blocked', ':scope > .word', ':scope > .detail', ':scope > .vessel'])]),
    pipes: all('.pipe[data-flow]', part => [part.dataset.flow, classes(part), ...inner(part, ['.wall', '.arrow'])]),
    bars: all('.bar .fill', part => Number(part.getAttribute('width')).toFixed(0)),
    bases: all('[data-basis]', part => part.textContent.trim()),
  }; }"""
MIXED = """() => {
  const { state, apply } = window.plantview, at = state.now_ms, chillers = Object.keys(state.conditions).filter(name => name.startsWith("CH-"));
  const rows = {
    "chw-supply.temp": [44, 2, "no answer in 2 s; value is 40 s old", at - 40000],
    "chw-return.temp": [55, 1, "in hand at the device", at],
    "CH-2.chws_temp": [null, 3, "no answer in 2 s", at],
    "CH-3.chws_temp": [44, 1, "range not checked", at],
    "V-TB.position": [30, 1, "drive in hand", at],
  };
  const alarm = { point: "sec-out.temp", equipment: "CH-1", priority: 2, text: "", since_ms: at, acked: false };
  const flows = { ...state.flows, "chw/decoupler": [-30, true, "inferred"], "chw/chillers/1": [0, false, "measured"], "cw/towers/0": [null, null, "unknown"] };
  apply({ kind: "snapshot", link: { ok: true, since_ms: at }, now_ms: at, flows, readings: { ...state.readings, ...rows },
    alarms: { active: [alarm], counts: {} },
    conditions: { ...state.conditions, "SCHWP-1": ["run", "RUN", "", true], "CH-2": ["tripped", "TRIPPED", "CH-2 fault", false],
      "CH-3": ["not-available", "NOT AVAILABLE", "PCHWP-3 tripped", false], "CWP-3": ["starting", "STARTING", "", false] } });
  const { now_ms, readings, conditions, alarms } = state;
  return [{ now_ms, readings, conditions, flows, alarms: alarms.active, units: state.units }, (SHOWN)(document.querySelector("#schematic > svg"))]; }""".replace(
    "SHOWN", SHOWN
)
"""One moment with every mark in it, and what the page makes of it in the same breath."""
A4_LANDSCAPE = (842, 595)
"""Points of 1/72 inch: 297 mm by 210 mm (ISO 216)."""


@pytest.mark.parametrize("path", ["/", "/plant/loop?id=chw", "/plant/machine?id=CH-1"])
def test_a_drawing_prints_on_exactly_one_landscape_page(shared_demo: Running, browser: Browser, path: str) -> None:
    with seen(browser, shared_demo.url + path) as watched:
        watched.page.wait_for_function(LIVE)
        watched.page.evaluate("() => { window.print = () => {}; }")
        watched.page.locator("#drawing-print").click()
        printed = watched.page.pdf(prefer_css_page_size=True, print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
    wide, high = (float(each) for each in re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", printed)[0])
    assert (wide, high) == pytest.approx(A4_LANDSCAPE, abs=1.5)


def test_the_saved_drawing_shows_what_the_page_shows(shared_demo: Running, browser: Browser) -> None:
    """Two programs fill the drawing, one in the browser and one on the server: words, marks, colours and arrows agree.

    Both get one moment; a browser then reads the styles of both. Sources: the two programs are independent.
    """
    with seen(browser, shared_demo.url) as watched:
        page = watched.page
        page.wait_for_function(LIVE)
        told, shown = page.evaluate(MIXED)
    plant = load_plant(bundled("plants") / "larkfield")
    signals = {name: signal_of(point) for name, point in plant.points.items()} | dict(Derivation(plant).signals)
    readings = {name: Reading(row[0], Quality(row[1]), *row[2:4]) for name, row in told["readings"].items()}
    rest = told["conditions"], told["flows"], told["alarms"], True, told["units"]
    moment = Moment(told["now_ms"], signals, readings, *rest)
    saved = stand_alone(draw(plant, signals), plant, moment, "light")
    page = browser.new_page()
    try:
        page.set_content(f"<body>{saved}")
        again = page.evaluate(f"() => ({SHOWN})(document.querySelector('svg'))")
    finally:
        page.close()
    for part, here in shown.items():
        assert len(here) > (0 if part in {"bars", "bases"} else 5)
        differ = [(one, two) for one, two in zip(here, again[part], strict=True) if one != two]
        assert differ == [], part
    marks = {mark for row in shown["values"] for mark in row[1].split()}
    assert {"stale", "bad", "doubt", "signed", "standing", "p2"} <= marks
    assert {row[1] for row in shown["machines"]} >= {"run", "tripped", "not-available", "starting"}
    assert {mark for row in shown["pipes"] for mark in row[1].split()} >= {
        "live",
        "dead",
        "unknown",
        "reverse",
        "inferred",
    }


def test_the_drawing_is_saved_under_a_name_that_says_plant_and_time(shared_demo: Running, browser: Browser) -> None:
    with seen(browser, shared_demo.url) as watched:
        watched.page.wait_for_function(LIVE)
        assert watched.page.locator("#drawing-save").get_attribute("download") is not None
    with urlopen(f"{shared_demo.url}/schematic.svg?filled=1&units=ip", timeout=10) as answer:
        assert re.search(r'filename="larkfield-plant-[\d-]+\.svg"', answer.headers["content-disposition"])
        root = ET.fromstring(answer.read())  # noqa: S314 - our own text
    assert any(each.text == "RUN" for each in root.iter())


def test_three_marks_tell_in_hand_held_by_another_and_stale_apart(shared_demo: Running, browser: Browser) -> None:
    """The same three marks on the drawing and on the wall, in the browser's own pixels."""
    for path in ("/", "/wall"):
        with seen(browser, shared_demo.url + path, "wall") as watched:
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


def test_the_three_marks_are_told_apart_on_the_phone_page_too(shared_demo: Running, browser: Browser) -> None:
    """In the browser's own pixels: a square H, a plate O of the same violet, a clock with the age in italics."""
    told = shared_demo.get("/m/now?units=ip")
    told["values"] |= {"chw-supply.temp": ["44.0 °F", "stale", "◷40s"], "chw-return.temp": ["55.0 °F", "held", "O"]}
    told["states"]["SCHWP-1"] = ["RUN", "", True]
    told["states"]["CH-3"] = ["NOT AVAILABLE", "PCHWP-3 tripped", False]
    with seen(browser, f"{shared_demo.url}/m?units=ip", "phone") as watched:
        page = watched.page
        page.route("**/m/now*", lambda route: route.fulfill(json=told))
        page.wait_for_function(
            "() => document.querySelector('[data-s=CH-3]').textContent.startsWith('NOT')", timeout=30_000
        )
        marks = page.evaluate(
            """() => Object.fromEntries(["[data-s=SCHWP-1]", "[data-v='chw-return.temp']", "[data-v='chw-supply.temp']"].map(place => {
              const part = document.querySelector(place), before = getComputedStyle(part, "::before"), after = getComputedStyle(part, "::after");
              return [part.dataset.s || part.dataset.v, [before.content, before.backgroundColor, before.borderTopRightRadius, after.content,
                getComputedStyle(part).fontStyle]]; }))"""
        )
        assert page.inner_text("[data-s=CH-3]") == "NOT AVAILABLE PCHWP-3 tripped"
    hand, held, stale = marks["SCHWP-1"], marks["chw-return.temp"], marks["chw-supply.temp"]
    assert (hand[0], held[0], stale[0]) == ('"H"', '"O"', "none")
    assert hand[1] == held[1] != "rgba(0, 0, 0, 0)"
    assert hand[2] == "0px" != held[2]
    assert "◷40s" in stale[3]
    assert (hand[4], held[4], stale[4]) == ("normal", "normal", "italic")
