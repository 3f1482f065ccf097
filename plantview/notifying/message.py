"""What a message says: which alarm, value and limit, since when, what to do, and where to read on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote

from plantview.clock import local_text, utc_text
from plantview.model.plant import Plant

SHOWN_MAX: Final = 20
SUBJECT_MAX: Final = 150
WORDS: Final = {1: "URGENT", 2: "HIGH", 3: "MEDIUM", 4: "LOW"}


@dataclass(frozen=True, slots=True)
class Call:
    """One annunciation on its way to people."""

    at_ms: int
    alarm: str
    equipment: str
    class_name: str
    priority: int
    text: str
    """Value, limit and unit."""
    action: str
    consequence: str
    note: str = ""
    """Why it comes only now."""


@dataclass(frozen=True, slots=True)
class Message:
    """What is sent."""

    subject: str
    text: str
    body: Mapping[str, Any]
    """The same for machines."""


def alarm_message(plant: Plant, page: str, calls: Sequence[Call]) -> Message:
    """Return one message about one or many alarms, the most urgent first."""
    ordered = sorted(calls, key=lambda call: (call.priority, call.at_ms, call.alarm))
    shown, rest = ordered[:SHOWN_MAX], ordered[SHOWN_MAX:]
    first = ordered[0]
    more = f" and {len(ordered) - 1} more" if len(ordered) > 1 else ""
    parts = [_paragraph(plant, page, call) for call in shown]
    if rest:
        counts = Counter(call.equipment for call in rest)
        listed = ", ".join(
            f"{name} {count}" for name, count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))
        )
        parts.append(f"And {len(rest)} more, by equipment: {listed}")
    if page and len(ordered) > 1:
        parts.append(f"All alarms: {page}/alarms")
    subject = f"{_prefix(plant)}{WORDS[first.priority]} {first.equipment} {first.text}{more}"
    body = {"kind": "alarms", "plant": plant.id, "count": len(ordered), "alarms": [_row(plant, page, c) for c in shown]}
    return Message(_line(subject), "\n\n".join(parts) + _foot(plant), {**body, "simulated": plant.simulated})


def trial_message(plant: Plant, page: str, receiver: str, now_ms: int) -> Message:
    """Return the message of the test button."""
    at = local_text(now_ms, plant.zone)
    text = f"This is a test for {receiver}, sent {at}. Nothing is wrong."
    link = f"\nAlarms: {page}/alarms" if page else ""
    body = {"kind": "test", "plant": plant.id, "at": utc_text(now_ms), "text": text, "simulated": plant.simulated}
    return Message(_line(f"{_prefix(plant)}test message"), text + link + _foot(plant), body)


def digest_message(plant: Plant, page: str, told: Mapping[str, Any], standing: Sequence[Mapping[str, Any]]) -> Message:
    """Return the summary of a day: its figures, what is not as it should be, and what still stands."""
    begin, end = (local_text(told[key], plant.zone) for key in ("from_ms", "to_ms"))
    lines = [f"{told['total']} alarms called from {begin} to {end}."]
    lines += [
        f"{row['name']}: {row['measured']} (goal: {row['goal']}). {row['remedy']}."
        for row in told["rows"]
        if row["ok"] is False
    ]
    lines += [f"Most frequent: {row['alarm']} {row['count']} times" for row in told["top"][:3]]
    lines.append(f"{len(standing)} on the list now." if standing else "Nothing is on the list now.")
    lines += [f"{row['priority']} {row['equipment']}: {row['text']}" for row in standing[:SHOWN_MAX]]
    if page:
        lines.append(f"Figures: {page}/alarms/figures")
    body = {"kind": "digest", "plant": plant.id, "total": told["total"], "standing": len(standing)}
    subject = f"{_prefix(plant)}{told['total']} alarms in the last day, {len(standing)} stand"
    return Message(_line(subject), "\n".join(lines) + _foot(plant), {**body, "simulated": plant.simulated})


def _paragraph(plant: Plant, page: str, call: Call) -> str:
    lines = [
        f"{WORDS[call.priority]}  {call.equipment}: {call.text}",
        f"Since {local_text(call.at_ms, plant.zone)}{f' ({call.note})' if call.note else ''}",
        f"Do: {call.action}",
        f"Otherwise: {call.consequence}",
    ]
    return "\n".join([*lines, f"Cause and trend: {_link(page, call.alarm)}"] if page else lines)


def _row(plant: Plant, page: str, call: Call) -> dict[str, Any]:
    return {
        "alarm": call.alarm,
        "equipment": call.equipment,
        "priority": call.priority,
        "class": call.class_name,
        "text": call.text,
        "at": utc_text(call.at_ms),
        "local": local_text(call.at_ms, plant.zone),
        "action": call.action,
        "consequence": call.consequence,
        "note": call.note,
        "link": _link(page, call.alarm) if page else "",
    }


def _link(page: str, alarm: str) -> str:
    return f"{page}/alarms/record?id={quote(alarm, safe='')}"


def _prefix(plant: Plant) -> str:
    return f"{'SIMULATED ' if plant.simulated else ''}{plant.name}: "


def _foot(plant: Plant) -> str:
    simulated = " This plant is simulated." if plant.simulated else ""
    return f"\n\nplantview watches {plant.name}; it protects nothing. Acknowledge on the alarm page.{simulated}\n"


def _line(text: str) -> str:
    """Return a subject: one line, not too long, so that no reading can add a header."""
    clean = "".join(character if character.isprintable() else " " for character in text)
    return clean if len(clean) <= SUBJECT_MAX else clean[: SUBJECT_MAX - 1] + "…"
