"""What WCAG 2.2 AA asks of a page and a browser can judge: axe-core, keyboard, targets, reflow, text spacing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

ASKED_FOR = ("target-size", "label-content-name-mismatch", "table-fake-caption")
"""Rules that axe-core leaves out unless asked, beside all others that it knows."""
OF_COLOUR = ("color-contrast", "link-in-text-block")
"""What another theme can change; the rest is the same document in every theme."""
ONE_OF_A_KIND: dict[str, Any] = {"exclude": [["tbody tr:nth-child(n + 9)"]]}
"""A hundred rows of the same shape say no more than eight."""
NO_DRAWING: dict[str, Any] = {"exclude": [["tbody tr:nth-child(n + 9)"], ["svg"]]}
"""axe-core cannot judge colours within a drawing: ``tests/unit/test_schematic_tokens.py`` computes them."""

FOCUSABLE = "a[href], button, input, select, textarea, summary, [tabindex]"
STOPS = f"""() => {{
  const open = document.querySelector('dialog[open]') || document;
  return [...open.querySelectorAll({FOCUSABLE!r})].filter((node) => node.tabIndex >= 0 && !node.disabled
    && node.checkVisibility({{ visibilityProperty: true }}) && node.getClientRects().length && !node.closest('[inert]'));
}}"""
"""In the order of the document, everything that the Tab key must reach."""
WHO = f"() => ({STOPS})().map((node) => [node.tagName, node.id, node.getAttribute('href')].join('|'))"
WALKS_MAX = 4
STANDS = f"""() => {{
  const stops = ({STOPS})();
  const node = document.activeElement;
  if (!node || node === document.body || node === document.documentElement) return null;
  const box = node.getBoundingClientRect(), style = getComputedStyle(node);
  const marked = (part, name, least) => part && getComputedStyle(part)[name] !== 'none' && parseFloat(getComputedStyle(part).strokeWidth) >= least;
  const shown = (style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2)
    || marked(node.querySelector(':scope > .hit'), 'stroke', 3) || marked(node.querySelector(':scope > :is(.mass, .bow, .shell)'), 'stroke', 5);
  const x = Math.min(Math.max(box.left + box.width / 2, 1), innerWidth - 2), y = Math.min(Math.max(box.top + box.height / 2, 1), innerHeight - 2);
  const inside = box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth;
  const over = [[x, y], [Math.max(box.left, 0) + 3, Math.max(box.top, 0) + 3], [Math.min(box.right, innerWidth) - 3, Math.min(box.bottom, innerHeight) - 3]]
    .map(([at, down]) => document.elementFromPoint(at, down));
  const seen = inside && over.some((top) => top && (node.contains(top) || top.contains(node)));
  return {{ place: stops.indexOf(node), of: stops.length, what: node.outerHTML.slice(0, 140), shown, seen }};
}}"""
MOUSE_ONLY = f"""() => [...document.querySelectorAll('body *')].filter((node) => getComputedStyle(node).cursor === 'pointer'
    && node.checkVisibility() && !node.closest({FOCUSABLE!r} + ', label, #alarm-strip, .overview') && getComputedStyle(node.parentElement).cursor !== 'pointer')
  .map((node) => node.outerHTML.slice(0, 140))"""
"""What a mouse can press and a keyboard cannot. The alarm strip leads where the link Alarms leads too; the small overview
of a drawing scrolls it, as the arrow keys do."""
CUT_OFF = """() => {
  const sideways = (node) => { for (let at = node; at && at !== document.body; at = at.parentElement) {
    const style = getComputedStyle(at); if (['auto', 'scroll'].includes(style.overflowX) || style.clipPath !== 'none' || style.position === 'fixed') return true; } return false; };
  return [...document.querySelectorAll('body *')].filter((node) => !node.closest('svg, .skip') && node.checkVisibility() && node.getClientRects().length
    && (node.getBoundingClientRect().right > document.documentElement.clientWidth + 1 || node.getBoundingClientRect().left < -1) && !sideways(node))
    .map((node) => node.outerHTML.slice(0, 140));
}"""
"""What stands beyond the edge of the screen and in no box that scrolls: text that nobody can reach."""
SPACED = """* { line-height: 1.5 !important; letter-spacing: 0.12em !important; word-spacing: 0.16em !important; }
p { margin-bottom: 2em !important; }"""
"""Success criterion 1.4.12."""
SWALLOWED = """() => [...document.querySelectorAll('body *')].filter((node) => {
  if (node.closest('svg, .unseen, caption, .away, .uplot') || !node.checkVisibility() || !node.childElementCount && !node.textContent.trim()) return false;
  const style = getComputedStyle(node);
  const hides = (way) => ['hidden', 'clip'].includes(style[way]);
  if (style.clipPath !== 'none' || node === document.body || node.id === 'schematic') return false;
  return hides('overflowX') && node.scrollWidth > node.clientWidth + 2 || hides('overflowY') && node.scrollHeight > node.clientHeight + 2;
}).map((node) => node.outerHTML.slice(0, 140))"""
"""Boxes that hide a part of their text."""
STOPS_MAX = 400


def _nodes(item: dict[str, Any]) -> list[str]:
    """Return where a rule is broken. A live value is called by what it is of; its number is not its name."""
    named = item["id"] == "label-content-name-mismatch"
    return [node["html"][:160] for node in item["nodes"] if not (named and "data-signal=" in node["html"])]


def violations(page: Page) -> list[tuple[str, str, list[str]]]:
    """Return what axe-core finds, of whatever impact, colours apart."""
    rules = {name: {"enabled": True} for name in ASKED_FOR} | {name: {"enabled": False} for name in OF_COLOUR}
    return _found(page, ONE_OF_A_KIND, {"rules": rules})


def pale(page: Page) -> list[tuple[str, str, list[str]]]:
    """Return what axe-core finds too pale in the theme of this moment."""
    return _found(page, NO_DRAWING, {"runOnly": {"type": "rule", "values": list(OF_COLOUR)}})


def _found(page: Page, where: dict[str, Any], options: dict[str, Any]) -> list[tuple[str, str, list[str]]]:
    found = Axe().run(page, context=where, options=options).response
    assert found["passes"], "axe-core has looked at nothing"
    rows = [(item["id"], item["impact"], _nodes(item)) for item in found["violations"]]
    return [row for row in rows if row[2]]


@dataclass(frozen=True)
class Walk:
    """A walk over a page with the Tab key."""

    reached: list[int]
    """Places in the order of the document, as they were reached, from the first of them."""
    expected: int
    unmarked: list[str]
    """Stops at which one does not see where one is."""
    covered: list[str]
    """Stops that lie out of sight or below something else."""
    missed: list[str]


def walk(page: Page) -> Walk:
    """Press Tab until the focus has come round; a walk that does not end is a trap. An open dialog is a page of its own.

    Places are counted, so a walk during which a control came or went says nothing: it is walked again.
    """
    for _ in range(WALKS_MAX):
        before = page.evaluate(WHO)
        found = _walk(page)
        if page.evaluate(WHO) == before:
            return found
    raise AssertionError(f"controls came or went during each of {WALKS_MAX} walks")


def _walk(page: Page) -> Walk:
    reached: list[int] = []
    left = False
    unmarked, covered = [], []
    for _ in range(STOPS_MAX):
        page.keyboard.press("Tab")
        at = page.evaluate(STANDS)
        if at is None and not left:
            left = True  # out into the browser's own controls, and from there to the first stop
            continue
        if at is None or (reached and at["place"] == reached[0] != reached[-1]):
            break
        if not at["shown"]:
            unmarked.append(at["what"])
        if not at["seen"]:
            covered.append(at["what"])
        reached.append(at["place"])
    else:
        raise AssertionError(f"{STOPS_MAX} times Tab do not lead out of the page")
    first = reached.index(min(reached)) if reached else 0
    reached = reached[first:] + reached[:first]
    stops = page.evaluate(f"() => ({STOPS})().map((node) => node.outerHTML.slice(0, 140))")
    missed = [what for place, what in enumerate(stops) if place not in reached]
    return Walk(reached, len(stops), unmarked, covered, missed)
