"""Contrast of both themes: WCAG 2.2 relative luminance and contrast ratio, success criteria 1.4.3 and 1.4.11.

``PAIRS`` says which token lies on which, where, and what it is there. The style sheets are read beside it: a token that
the table does not know, or a rule that puts one on another in a way that it does not list, fails. The wall at night is the
dark theme.
"""

from __future__ import annotations

import re
from itertools import pairwise

import pytest

from plantview.config.bundled import bundled

THEMES = ("light", "dark")
TEXT, PART, QUIET = 4.5, 3.0, 1.0
"""Least ratio: of text; of what one must see to understand or to use; of what only decorates, or is said a second time."""
PAIRS: tuple[tuple[str, str, float, str], ...] = (
    ("ink", "bg", TEXT, "text of pages and drawing; lines of trends"),
    ("ink", "panel", TEXT, "text in bars, tables, cards and dialogs"),
    ("ink", "track", PART, "tick and fill on the bar of a headline number"),
    ("ink", "band", PART, "tick on the normal band of that bar"),
    ("ink2", "bg", TEXT, "labels, units, quiet text"),
    ("ink2", "panel", TEXT, "labels, units, heads of tables"),
    ("ink3", "bg", TEXT, "words in an empty field"),
    ("bg", "ink", TEXT, "NO DATA, PAST, pressed buttons, toasts, the link past the navigation"),
    ("mass-ink", "mass", TEXT, "text on a running machine and on pressed buttons of trends"),
    ("mass", "bg", PART, "a running machine on the drawing"),
    ("mass", "panel", PART, "a group of machines in a chart"),
    ("ghost", "bg", PART, "outline of a machine at rest; edges of buttons and fields"),
    ("ghost", "panel", PART, "edges of buttons and fields in bars and dialogs"),
    ("condenser", "bg", PART, "pipe with flow, line of a trend"),
    ("condenser", "panel", PART, "a group in a chart"),
    ("chilled", "bg", PART, "pipe with flow, line of a trend"),
    ("chilled", "panel", PART, "a group in a chart"),
    ("hot", "bg", PART, "pipe with flow"),
    ("hot", "panel", PART, "a group in a chart"),
    ("red", "bg", PART, "frame of a value in alarm"),
    ("red", "panel", PART, "frame of an alarm not acknowledged"),
    ("hand", "bg", PART, "the plate H or O"),
    ("hand", "panel", PART, "the strip of commands"),
    ("sign-edge", "orange", PART, "edge of a sign or frame against its colour, in the light theme"),
    ("on-red", "red", TEXT, "digit of priority 1"),
    ("on-sign", "orange", TEXT, "digit of priority 2; FAIL; a proof that timed out"),
    ("on-sign", "yellow", TEXT, "digit of priority 3"),
    ("on-sign", "low", TEXT, "digit of priority 4"),
    ("on-hand", "hand", TEXT, "letter on a plate; text of the strip of commands"),
    ("condenser-rest", "bg", QUIET, "pipe without flow: no arrow, and the machine says OFF"),
    ("chilled-rest", "bg", QUIET, "pipe without flow: no arrow, and the machine says OFF"),
    ("hot-rest", "bg", QUIET, "pipe without flow: no arrow, and the machine says OFF"),
    ("track", "panel", QUIET, "the bar below a headline number: the number itself is printed"),
    ("band", "track", QUIET, "the normal band: a value out of it has a frame and a sign"),
    ("line", "bg", QUIET, "rules between rows, edges of cards"),
    ("line", "panel", QUIET, "rules between rows"),
    ("orange", "panel", QUIET, "inner colour of a frame: its edge is what must be seen, see below"),
    ("yellow", "panel", QUIET, "inner colour of a frame: its edge is what must be seen, see below"),
    ("low", "panel", QUIET, "inner colour of a frame: its edge is what must be seen, see below"),
    ("lift-0", "panel", QUIET, "a point of the performance map: its edge is ink2, its lift stands in the legend"),
    ("lift-1", "panel", QUIET, "a point of the performance map"),
    ("lift-2", "panel", QUIET, "a point of the performance map"),
    ("lift-3", "panel", PART, "a point of the performance map at the highest lift"),
)  # fmt: skip
"""(what, on what, least ratio, where)."""
ONLY = {("sign-edge", "orange"): "light"}
"""In the dark theme the colours of the priorities themselves stand out, and their edge need not."""
NO_TEXT = {"schematic.css": {"ghost"}}
"""What a rule calls colour, and only a shape takes over: the bar of a load."""
FADED = {"plain_wall.css": ".stale-page #schematic", "plain_phone.css": ".lost main"}
"""Style sheet -> what it fades when nothing has been heard for long."""


def _sheet(name: str) -> str:
    """Return a style sheet without its comments."""
    return re.sub(r"/\*.*?\*/", "", (bundled("assets") / name).read_text(encoding="utf-8"), flags=re.DOTALL)


def _sheets() -> dict[str, str]:
    return {path.name: _sheet(path.name) for path in sorted(bundled("assets").glob("*.css"))}


def _colours(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))


def _tokens(theme: str) -> dict[str, str]:
    """Return every colour of a theme; the pages of machines have four of their own."""
    opening = {"light": r":root \{", "dark": r'\[data-theme="dark"\] \{'}[theme]
    found: dict[str, str] = {}
    for name in ("tokens.css", "pages_equipment.css"):
        block = re.search(opening + r"(.*?)\}", _sheet(name), re.DOTALL)
        assert block is not None
        found |= _colours(block.group(1))
    return found


def _luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, two: str) -> float:
    low, high = sorted((_luminance(one), _luminance(two)))
    return (high + 0.05) / (low + 0.05)


def _mixed(one: str, two: str, share: float) -> str:
    parts = [(int(one[at : at + 2], 16), int(two[at : at + 2], 16)) for at in (1, 3, 5)]
    return "#" + "".join(f"{round(a * share + b * (1 - share)):02x}" for a, b in parts)


def test_the_contrast_formula_gives_the_ratios_of_the_standard() -> None:
    # WCAG 2.2: black on white is 21:1; #777777 on white is the well-known 4.48:1 (from memory)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("what", "ground", "least", "where"), PAIRS)
def test_each_colour_stands_out_from_what_it_lies_on(
    theme: str, what: str, ground: str, least: float, where: str
) -> None:
    if ONLY.get((what, ground), theme) != theme:
        return
    tokens = _tokens(theme)
    assert contrast(tokens[what], tokens[ground]) >= least, where


def test_both_themes_name_the_same_colours_and_the_table_knows_each() -> None:
    light, dark = _tokens("light"), _tokens("dark")
    assert set(light) == set(dark)
    assert set(light) == {name for what, ground, *_ in PAIRS for name in (what, ground)}


def test_every_rule_that_puts_one_colour_on_another_is_in_the_table() -> None:
    known = {(what, ground) for what, ground, *_ in PAIRS}
    found = set()
    for name, sheet in _sheets().items():
        for body in re.findall(r"\{([^{}]*)\}", sheet):
            ink = re.search(r"(?<![-\w])color: var\(--([\w-]+)\)", body)
            ground = re.search(r"background(?:-color)?: var\(--([\w-]+)\)", body)
            if ink and ground:
                found.add((ink.group(1), ground.group(1)))
                assert (ink.group(1), ground.group(1)) in known, (name, body)
    assert len(found) > 5


def test_every_colour_of_text_is_in_the_table_as_text() -> None:
    texts = {what for what, _, least, _ in PAIRS if least == TEXT}
    for name, sheet in _sheets().items():
        used = set(re.findall(r"(?<![-\w])color: var\(--([\w-]+)\)", sheet))
        assert used - NO_TEXT.get(name, set()) <= texts, (name, used - texts)


@pytest.mark.parametrize("part", ["orange", "yellow", "low"])
def test_where_a_sign_is_too_pale_for_the_ground_its_edge_is_not(part: str) -> None:
    light, dark = _tokens("light"), _tokens("dark")
    assert contrast(light["sign-edge"], light["bg"]) >= 7.0
    assert contrast(light["sign-edge"], light["panel"]) >= 7.0
    assert contrast(light["sign-edge"], light[part]) >= PART
    assert contrast(dark[part], dark["bg"]) >= PART
    assert contrast(dark[part], dark["panel"]) >= PART


@pytest.mark.parametrize("part", ["p2", "p3", "p4"])
@pytest.mark.parametrize("framed", [".value.{} .hit", ".headline-item.{} .headline-value", ".alarm-row.unacked.{}"])
def test_a_frame_that_says_not_normal_or_not_acknowledged_has_an_edge_that_is_seen(part: str, framed: str) -> None:
    sheet = _sheet("schematic.css")
    rules = [body for selectors, body in re.findall(r"([^{}]+)\{([^{}]*)\}", sheet)
             if framed.format(part) in [one.strip() for one in selectors.split(",")]]  # fmt: skip
    assert any("var(--sign-edge)" in body for body in rules)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("water", ["condenser", "chilled", "hot"])
def test_a_pipe_with_flow_differs_from_one_at_rest_in_grey_too(theme: str, water: str) -> None:
    tokens = _tokens(theme)
    assert contrast(tokens[water], tokens[f"{water}-rest"]) >= 1.6


@pytest.mark.parametrize("theme", THEMES)
def test_the_lifts_of_the_performance_map_differ_in_grey_too(theme: str) -> None:
    tokens = _tokens(theme)
    assert min(contrast(tokens[f"lift-{a}"], tokens[f"lift-{b}"]) for a, b in pairwise(range(4))) >= 1.5


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("name", FADED)
def test_old_numbers_are_faded_and_can_still_be_read(theme: str, name: str) -> None:
    rule = next(
        body for selectors, body in re.findall(r"([^{}]+)\{([^{}]*)\}", _sheet(name)) if FADED[name] in selectors
    )
    share = float(re.findall(r"opacity\(([.\d]+)\)", rule)[0])
    tokens = _tokens(theme)
    assert share < 1
    assert contrast(_mixed(tokens["ink"], tokens["bg"], share), tokens["bg"]) >= TEXT


def test_the_theme_of_the_computer_has_the_same_dark_colours() -> None:
    automatic = re.search(r'\[data-theme="auto"\] \{(.*?)\}', _sheet("tokens.css"), re.DOTALL)
    dark = re.search(r'\[data-theme="dark"\] \{(.*?)\}', _sheet("tokens.css"), re.DOTALL)
    assert automatic is not None
    assert dark is not None
    assert _colours(automatic.group(1)) == _colours(dark.group(1))
