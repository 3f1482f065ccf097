"""What start-up notes look like, so that those of a package can be told from anything else before they are used.

startup.db               table ``event``: marks and the sequence of events; table ``kept``: rows of JSON by kind
captures/*.jsonl.gz      a line about the capture, then one line per point with times, values, qualities
"""

from __future__ import annotations

import gzip
import re
import sqlite3
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import orjson

from plantview.evidence.shape import CAPTURE

FILE: Final = "startup.db"
CAPTURES: Final = "captures"
CAPTURE_BYTES_MAX: Final = 50_000_000
"""A capture of 5,000 points at a second unpacks to less."""
EVENTS_MAX: Final = 100_000
KEPT_MAX: Final = 100_000
TEXT_MAX: Final = 2_000
TIME_MAX: Final = 2**53
QUALITIES: Final = frozenset(range(4))

Shape = Callable[[Any], bool]


def whole(value: Any) -> bool:  # noqa: ANN401 - this and what follows judge whatever was sent
    """Whether it is a whole number that a moment or a count can be."""
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < TIME_MAX


def number(value: Any) -> bool:  # noqa: ANN401
    """Whether it is a number; JSON knows none that is not finite."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300


def perhaps(value: Any) -> bool:  # noqa: ANN401
    """Whether it is a number or none."""
    return value is None or number(value)


def text(value: Any) -> bool:  # noqa: ANN401
    """Whether it is a text of reasonable length."""
    return isinstance(value, str) and len(value) <= TEXT_MAX


def flag(value: Any) -> bool:  # noqa: ANN401
    """Whether it is yes or no."""
    return isinstance(value, bool)


def record(**shapes: Shape) -> Shape:
    """Return the question whether it is a record with these fields and no others."""
    return lambda value: (
        isinstance(value, Mapping) and value.keys() == shapes.keys() and all(shapes[key](value[key]) for key in shapes)
    )


def several(shape: Shape, most: int = 100_000) -> Shape:
    """Return the question whether it is a list of such things."""
    return lambda value: isinstance(value, list) and len(value) <= most and all(map(shape, value))


ROWS: Final[Mapping[str, Shape]] = {
    "checked": record(
        hand=perhaps, tolerance=perhaps, shown=perhaps, raw=perhaps, difference=perhaps, verdict=text, comment=text,
        person=text, at_ms=whole,
    ),
    "seen": record(low=number, high=number, last=number, changes=whole, first_ms=whole, last_ms=whole),
    "times": record(
        runs=several(record(at_ms=whole, seconds=number, least_s=number, most_s=number, late=flag), most=100)
    ),
    "start": record(
        chiller=text, enable_ms=whole, uncertain_s=number, chw_flow_s=perhaps, cw_flow_s=perhaps, run_s=perhaps,
        stable_s=record(**{"0.5": perhaps, "1.0": perhaps, "2.0": perhaps}), hold_s=number, setpoint_c=perhaps,
        overshoot_k=perhaps, approach_k=perhaps, state=text,
    ),
}  # fmt: skip
"""Kind of a kept row -> its shape; other kinds have no place in a package."""
HEAD: Final = record(
    id=text, alarm=text, equipment=text, at_ms=whole, text=text, from_ms=whole, to_ms=whole, rows=whole,
    points=several(text),
)  # fmt: skip
SAMPLES: Final = record(point=text, at_ms=several(whole), values=several(perhaps), quality=several(whole))
_COLUMNS: Final = (
    "early_ms",
    "late_ms",
    "source",
    "kind",
    "equipment",
    "point",
    "before",
    "after",
    "text",
    "person",
    "key",
)
_ODD_EVENTS: Final = " OR ".join(
    [
        "typeof(at_ms) != 'integer' OR at_ms < 0 OR at_ms >= 9007199254740992",
        *(f"typeof({name}) != 'integer' OR {name} < 0 OR {name} >= 9007199254740992" for name in _COLUMNS[:2]),
        *(f"typeof({name}) != 'text' OR length({name}) > {TEXT_MAX}" for name in _COLUMNS[2:]),
    ]
)


def capture_ms(name: str) -> int | None:
    """Return the moment in the name of a capture; None for a name that no capture has."""
    return int(name.partition("-")[0]) if re.fullmatch(CAPTURE, name) else None


def notes_trouble(path: Path) -> str:
    """Return what is wrong with the notes of a package; nothing if they are what they should be. sqlite3.Error too."""
    db = sqlite3.connect(f"file:{path.resolve()}?mode=ro", uri=True)
    try:
        db.execute("PRAGMA trusted_schema = OFF")
        events, odd = db.execute(f"SELECT COUNT(*), COALESCE(SUM({_ODD_EVENTS}), 0) FROM event").fetchone()  # noqa: S608 - our own names
        if odd or events > EVENTS_MAX:
            return "its events are not what events look like"
        if db.execute("SELECT COUNT(*) FROM kept").fetchone()[0] > KEPT_MAX:
            return "it keeps more than any plant does"
        for kind, name, row in db.execute("SELECT kind, name, row FROM kept"):
            shape = ROWS.get(kind) if isinstance(kind, str) else None
            if shape is None or not text(name) or not isinstance(row, str) or not shape(_json(row)):
                return f"a row about '{str(name)[:60]}' is not what such rows look like"
    finally:
        db.close()
    return ""


def capture_trouble(path: Path) -> str:
    """Return what is wrong with a capture of a package; nothing if it is what it should be."""
    try:
        with gzip.open(path) as file:
            raw = file.read(CAPTURE_BYTES_MAX + 1)
    except (OSError, EOFError) as error:
        return f"cannot be unpacked ({error})"
    if len(raw) > CAPTURE_BYTES_MAX:
        return f"unpacks to more than {CAPTURE_BYTES_MAX // 1_000_000} MB"
    head, *rest = (_json(line) for line in raw.split(b"\n"))
    if not HEAD(head) or head["id"] != path.name.removesuffix(".jsonl.gz") or not all(map(_is_samples, rest)):
        return "is not what a capture looks like"
    return ""


def _is_samples(value: Any) -> bool:  # noqa: ANN401
    return (
        SAMPLES(value)
        and len(value["at_ms"]) == len(value["values"]) == len(value["quality"])
        and QUALITIES.issuperset(value["quality"])
    )


def _json(raw: str | bytes) -> Any:  # noqa: ANN401
    try:
        return orjson.loads(raw)
    except ValueError:
        return None
