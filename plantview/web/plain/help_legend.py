"""The marks of the drawing with their meaning, drawn by the same style sheet as the drawing itself."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from plantview.web.plain.help_words import PIPES
from plantview.web.schematic.signs import SIGNS

STATES: Final = (
    ("run", "RUN", "solid: it runs, by its status, not by its command"),
    ("off", "OFF", "an outline: it rests; where run hours leave no doubt it says that it is next to start"),
    ("starting", "STARTING, STOPPING", "half filled: ordered, and the proof is awaited"),
    ("not-available", "NOT AVAILABLE", "hatched: it cannot start, and says why, for example by the name of its pump"),
    ("tripped", "TRIPPED", "an outline with the sign of its alarm: it stopped by itself or by a safety"),
    ("no-comms", "NO COMMS, UNKNOWN", "a broken outline: nobody knows what it does now"),
)
"""(state of the drawing, words on it, meaning)."""
MARKS: Final = (
    ("p1", "priority 1, urgent: act at once"),
    ("p2", "priority 2, high: act soon"),
    ("p3", "priority 3, medium: act within the shift"),
    ("p4", "priority 4, low: look at it when there is time"),
    ("hand", "in hand: a local switch holds it, orders from afar do nothing"),
    ("held", "held by another: an override at the device or from another program decides"),
)
"""(sign, meaning)."""
WORDS: Final = (
    (
        '<b class="sample stale">44.1</b> ◷2m',
        "stale: not renewed in time; the clock gives its age. Not used in calculations",
    ),
    (
        '<b class="sample bad">?</b>',
        "not known: no number is shown, because none would be true. Its detail gives the reason",
    ),
    ('<b class="sample doubt">44.1</b>', "uncertain: used, with the doubt that its detail names"),
    (
        '<b class="sample framed">44.1</b>',
        "a frame means not normal: in alarm. A number without a frame is normal and has no colour",
    ),
    ('<b class="sample row">CH-2</b>', "a framed row in a list: nobody has acknowledged it yet. Nothing blinks"),
)
"""(sample in HTML, meaning)."""
ARROWS: Final = (
    ("moves", "filled arrow: flow is measured"),
    ("moves inferred", "hollow arrow: flow is inferred, from temperatures or from what runs"),
    ("", "no arrow: no flow, or its direction is not known"),
)


def legend() -> str:
    """Return the markup of all marks."""
    return "".join(
        f"<h3>{heading}</h3><ul class='legend'>{''.join(f'<li>{row}</li>' for row in rows)}</ul>"
        for heading, rows in (
            ("Machines: solid works, hollow rests", _states()),
            ("Pipes: cold filled, warm hollow", _pipes()),
            ("Flow", _arrows()),
            ("Alarms and hands: shape, digit and colour", _signs()),
            ("Values", (f"<span class='shown'>{sample}</span><span>{words}</span>" for sample, words in WORDS)),
        )
    )


def _shown(view: str, inside: str) -> str:
    return f'<span class="shown"><svg class="drawing" viewBox="{view}" aria-hidden="true">{inside}</svg></span>'


def _states() -> Iterator[str]:
    for state, word, meaning in STATES:
        body = '<rect class="mass" x="6" y="8" width="108" height="44" rx="10"/>'
        body += (
            '<path class="half" d="M6 30H114V42A10 10 0 0 1 104 52H16A10 10 0 0 1 6 42Z" fill="var(--mass)"/>'
            if state == "starting"
            else ""
        )
        body += '<path class="blocked" d="M16 52L44 8M46 52L74 8M76 52L104 8"/>' if state == "not-available" else ""
        body += _sign("p1", 44, 14) if state == "tripped" else ""
        yield (
            _shown("0 0 120 60", f'<g class="machine" data-state="{state}">{body}</g>')
            + f"<span><b>{word}</b>: {meaning}</span>"
        )


def _pipes() -> Iterator[str]:
    for letters, words, runs, water, look in PIPES:
        bore = '<path class="bore" stroke-width="6" d="M0 20H120"/>' if look == "hollow" else ""
        pipe = f'<g class="pipe {water} live"><path class="wall" d="M0 20H120"/></g>{bore}'
        yield _shown("0 0 120 40", pipe) + f"<span><b>{letters}</b>, {words}: {runs}</span>"


def _arrows() -> Iterator[str]:
    for kind, meaning in ARROWS:
        live = "live " if kind else ""
        pipe = f'<g class="pipe chilled {live}{kind}"><path class="wall" d="M0 20H120"/><path class="arrow" d="M48 4L76 20L48 36Z"/></g>'
        yield _shown("0 0 120 40", pipe) + f"<span>{meaning}</span>"


def _signs() -> Iterator[str]:
    for name, meaning in MARKS:
        yield _shown("0 0 120 40", _sign(name, 44, 4)) + f"<span>{meaning}</span>"


def _sign(name: str, x: int, y: int) -> str:
    shape, letter, baseline = SIGNS[name]
    text = f'<text x="16" y="{baseline}" font-size="20" text-anchor="middle">{letter}</text>'
    return f'<g class="sign sign-shape {name}" transform="translate({x} {y})"><path d="{shape}"/>{text}</g>'
