"""Fills a drawing with the values of one moment, by the same rules as ``assets/live_drawing.js`` in the browser.

A test in Chromium compares the two on one moment with every mark in it: words, marks, colours, arrows, bars.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final
from xml.etree import ElementTree as ET

from plantview.model.operation import Operation
from plantview.model.reading import Reading
from plantview.model.signal import Signal
from plantview.web.plain.words import Shown, in_words, sign_of
from plantview.web.schematic.labels import BOLD_SPACING, LEAST_SQUEEZE, width
from plantview.web.schematic.signs import put_sign
from plantview.web.schematic.svg import number

NOISE_SHARE: Final = 0.06
"""Opposite flows that differ by less of their sum show no direction: it is measuring noise."""
STATES: Final = frozenset(str(each) for each in Operation)
_QUALITY_MARKS: Final = {"uncertain": "doubt", "hand": "", "held": "", "stale": "stale", "bad": "bad", "good": ""}


@dataclass(frozen=True, slots=True)
class Moment:
    """What was known at one time, as rows of the live channel."""

    at_ms: int
    signals: Mapping[str, Signal]
    readings: Mapping[str, Reading]
    """As they may be shown: aged already."""
    conditions: Mapping[str, Sequence[Any]]
    flows: Mapping[str, Sequence[Any]]
    alarms: Sequence[Mapping[str, Any]]
    """Active ones."""
    heard: bool
    """False while nothing comes from the plant: then nothing is said of machines and flows."""
    system: str
    """``si`` or ``ip``."""
    worst: Mapping[tuple[str, str], int] = field(init=False, default_factory=dict)
    """(``point`` or ``equipment``, name) -> the most urgent priority there."""

    def __post_init__(self) -> None:
        """Work out the most urgent priority of every point and machine."""
        found: dict[tuple[str, str], int] = {}
        for alarm in self.alarms:
            for by in ("point", "equipment"):
                place = by, str(alarm.get(by, ""))
                found[place] = min(found.get(place, 9), int(alarm["priority"]))
        object.__setattr__(self, "worst", found)

    def shown(self, name: str) -> tuple[Shown, float]:
        """Return a value in words and its age in seconds."""
        signal, reading = self.signals.get(name), self.readings.get(name)
        if signal is None or reading is None:
            return Shown("?", "", "bad", "not read yet"), 0.0
        return in_words(signal, reading, self.system), (self.at_ms - reading.at_ms) / 1_000

    def flow(self, key: str) -> Sequence[Any]:
        """Return flow in L/s, whether water moves, and how that is known."""
        return self.flows.get(key, (None, None, "unknown"))

    def stands(self, keys: Sequence[str]) -> bool:
        """Return whether every flow that would move this water is known to be still."""
        return bool(keys) and all(self.flow(key)[1] is False for key in keys)


def fill(root: ET.Element, moment: Moment) -> None:
    """Write one moment into a drawing as ``render`` made it, without name spaces."""
    for part in list(root.iter()):
        classes = part.get("class", "").split()
        if "value" in classes and "data-signal" in part.attrib:
            _value(part, classes, moment)
        elif "machine" in classes:
            _machine(part, moment)
        elif "pipe" in classes and "data-flow" in part.attrib:
            _pipe(part, classes, moment)
        elif "bar" in classes:
            _bar(part, moment)
        elif "basis" in classes:
            flow = moment.flow(part.get("data-basis", ""))
            part.text = "inferred" if moment.heard and flow[1] and flow[2] == "inferred" else " "
    for cell in [part for part in root.iter() if part.get("class") == "cell"]:
        if any(child.get("data-state") == "run" and "tower_cell" in child.get("class", "") for child in cell):
            cell.set("class", "cell water-on")


def _of(part: ET.Element, name: str) -> ET.Element | None:
    return next((each for each in part.iter() if name in each.get("class", "").split()), None)


def _value(part: ET.Element, classes: list[str], moment: Moment) -> None:
    name = part.get("data-signal", "")
    shown, age_s = moment.shown(name)
    priority = moment.worst.get(("point", name), 0)
    standing = moment.stands(part.get("data-branch", "").split()) and shown.mark not in {"stale", "bad"}
    sign = f"p{priority}" if priority else shown.mark if shown.mark in {"hand", "held"} else ""
    marks = [
        _QUALITY_MARKS[shown.mark], "standing" if standing else "", f"p{priority}" if priority else "",
        "signed" if sign else "",
    ]  # fmt: skip
    part.set("class", " ".join(filter(None, ([each for each in classes if each != "bad"] + marks))))
    said = _unit(part, shown, age_s, standing=standing, moment=moment)
    number = "" if shown.mark == "bad" else _position(part, shown, moment)
    told = _told(part, shown)
    _say(_of(part, "number"), number.removeprefix("-") if part.get("data-ends") else number)
    _say(_of(part, "unit"), said)
    hit = _of(part, "hit")
    if sign and hit is not None:
        x, y, high = (float(hit.get(each, "0")) for each in ("x", "y", "height"))
        put_sign(part, sign, x + 3, y + high * 0.08, high * 0.84)
    signal = moment.signals.get(name)
    label = f"{signal.equipment} {signal.label}" if signal else name
    doubt = f", {shown.reason}" if shown.reason and shown.mark != "bad" else ""
    _say(part.find("title"), f"{label}: {told}{doubt}")
    part.set("aria-label", f"{label}: {told}{doubt}")


def _told(part: ET.Element, shown: Shown) -> str:
    """Return a value as it is read aloud; of a pipe in which water flows either way, also where it goes."""
    if shown.mark == "bad":
        return f"no value: {shown.reason}"
    one, _, two = part.get("data-ends", "").partition(" ")
    if not two or not float(shown.number):
        return shown.text
    return f"{shown.text.removeprefix('-')} to {one if shown.number.startswith('-') else two}"


def _unit(part: ET.Element, shown: Shown, age_s: float, *, standing: bool, moment: Moment) -> str:
    if standing:
        return "no flow"
    if shown.mark == "stale":
        return sign_of("stale", age_s)
    if part.get("data-form") == "valve":
        return ""
    own = part.get("data-unit-si") if moment.system == "si" else None
    return part.get("data-unit") or own or shown.unit


def _position(part: ET.Element, shown: Shown, moment: Moment) -> str:
    """Return a number, or the word of the valve's condition, so that every page says the same of a valve."""
    if part.get("data-form") != "valve":
        return shown.number
    word = (moment.conditions.get(part.get("data-valve", "")) or ("", ""))[1]
    return word if moment.heard and word and word != "?" else f"{shown.number} %"


def _machine(part: ET.Element, moment: Moment) -> None:
    name = part.get("data-equipment", "")
    known = moment.conditions.get(name, ("unknown", "UNKNOWN", "", False))
    operation, word, detail, hand = known if moment.heard else ("unknown", "NO DATA", "", False)
    part.set("data-state", str(operation) if operation in STATES else "unknown")
    for child in part:
        classes = child.get("class", "").split()
        if "word" in classes:
            _fit(child, word, bold=True)
        elif "detail" in classes:
            _fit(child, detail or " ")
    priority = moment.worst.get(("equipment", name), 0)
    place = next((child for child in part if child.get("class") == "sign"), None)
    sign = f"p{priority}" if priority else "hand" if hand else ""
    if sign and place is not None:
        put_sign(place, sign, float(place.get("data-x", "0")), float(place.get("data-y", "0")), 32)
    title = part.find("title")
    if title is not None:
        title.text = ", ".join(filter(None, (title.text, word, detail, "in hand" if hand else "")))


def net_flow(flow: Iterable[tuple[str, int]], moment: Moment) -> tuple[str, int, bool]:
    """Return ``live``, ``dead`` or ``unknown``, the direction (0 where it is not known), and whether inferred."""
    known = [(way, *moment.flow(key)) for key, way in flow]
    moving = [(way, l_s, basis) for way, l_s, moves, basis in known if moves]
    if not moment.heard:
        return "unknown", 0, False
    if not moving:
        return ("unknown" if any(moves is None for _, _, moves, _ in known) else "dead"), 0, False
    inferred = any(basis != "measured" for _, _, basis in moving)
    ways = {way if not l_s else (1 if way * l_s > 0 else -1) for way, l_s, _ in moving}
    if len(ways) == 1:
        return "live", ways.pop(), inferred
    numbers = [way * l_s for way, l_s, _ in moving if l_s is not None]
    net = sum(numbers)
    if len(numbers) < len(moving) or abs(net) < NOISE_SHARE * sum(map(abs, numbers)):
        return "live", 0, inferred
    return "live", 1 if net > 0 else -1, inferred


def _pipe(part: ET.Element, classes: list[str], moment: Moment) -> None:
    flow = [(str(key), int(way)) for key, way in json.loads(part.get("data-flow", "[]"))]
    kind, way, inferred = net_flow(flow, moment)
    marks = [kind, "moves" if way else "", "reverse" if way < 0 else "", "inferred" if inferred else ""]
    part.set("class", " ".join(filter(None, [each for each in classes if each != "unknown"] + marks)))
    told = {"live": "flow inferred" if inferred else "flow", "dead": "no flow", "unknown": "flow unknown"}[kind]
    title = part.find("title")
    if title is not None:
        title.text = f"{title.text}: {told}"


def _bar(part: ET.Element, moment: Moment) -> None:
    reading = moment.readings.get(part.get("data-bar", ""))
    value = reading.value if reading is not None and reading.usable and moment.heard else None
    share = min(100.0, max(0.0, value or 0.0)) / 100
    filled = _of(part, "fill")
    if filled is not None:
        filled.set("width", f"{share * float(part.get('data-width', '0')):.1f}")


def _say(part: ET.Element | None, words: str) -> None:
    if part is not None:
        part.text = words


def _fit(part: ET.Element, words: str, *, bold: bool = False) -> None:
    """Write a text into its room: narrower where it is a little too long, else as much of it as fits."""
    room, size = float(part.get("data-fit", "0")), float(part.get("font-size", "16"))
    spacing = BOLD_SPACING if bold else 0.0
    for keep in range(len(words), 1, -1):
        part.text = words if keep == len(words) else words[:keep].rstrip() + "…"
        wide = width(part.text, size, bold, spacing)
        if not room or wide <= room:
            return
        if room >= LEAST_SQUEEZE * wide:
            part.set("textLength", number(room))
            part.set("lengthAdjust", "spacingAndGlyphs")
            return
