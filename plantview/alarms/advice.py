"""The figures as a table for people: what is measured, what is right, and what to do about it.

Goals as in ISA-18.2 and EEMUA 191 (from memory); those of a plant without a full-time operator are ours.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from plantview.alarms.figures import BIN_MS, DAY_MS, HOUR_MS, TOP


@dataclass(frozen=True, slots=True)
class Advice:
    """One row: how to read the figure, its goal, and what to do when it is missed."""

    name: str
    measured: Callable[[Mapping[str, Any]], float]
    digits: int
    unit: str
    most: float
    goal: str
    remedy: str
    applies: Callable[[Mapping[str, Any]], bool] = lambda _: True
    needs_ms: int = 0
    """Shorter periods say nothing about it."""


def _urgent_share(figures: Mapping[str, Any]) -> float:
    """Return what part of the calls had priority 1 or 2."""
    mix = figures["mix_pct"]
    return float(mix["1"] + mix["2"])


ROWS: Final = (
    Advice(
        "annunciated per day", lambda f: f["per_day"], 1, "", 10,
        "at most 10 in a plant without an operator at the desk (ours); 144 per operator",
        "Work down the ten most frequent below, the first one first",
        needs_ms=DAY_MS,
    ),
    Advice(
        "annunciated per hour", lambda f: f["per_hour"], 2, "", 6, "at most 6",
        "Work down the ten most frequent below, the first one first",
        needs_ms=HOUR_MS,
    ),
    Advice(
        "annunciated per 10 min", lambda f: f["per_10_min"], 2, "", 1, "at most 1",
        "Work down the ten most frequent below, the first one first",
        needs_ms=BIN_MS,
    ),
    Advice(
        "most in any 10 min", lambda f: f["peak_10_min"], 0, "", 10, "at most 10",
        "See which event it was: what follows from one cause should be suppressed by it ('when' of the alarm)",
    ),
    Advice(
        "10 min with more than 10", lambda f: f["crowded_pct"], 2, "%", 1, "less than 1 %",
        "See which event it was: what follows from one cause should be suppressed by it ('when' of the alarm)",
    ),
    Advice(
        "floods", lambda f: len(f["floods"]), 0, "", 0, "none",
        "Look at the journal of the flood; group or suppress what told nothing new",
    ),
    Advice(
        "share of the ten most frequent", lambda f: f["top_pct"], 1, "%", 5, "at most 5 %, where more than 20 alarms called",
        "Repair what they point at; if nothing is wrong, correct limit, dead band or delay",
        applies=lambda f: f["different"] > 2 * TOP,
    ),
    Advice(
        "chattering", lambda f: len(f["chattering"]), 0, "", 0, "none",
        "Give it a dead band wider than the noise, or a longer off-delay",
    ),
    Advice(
        "fleeting", lambda f: len(f["fleeting"]), 0, "", 0, "none",
        "Give it a longer on-delay: nobody can act on what is over in 10 s",
    ),
    Advice(
        "stale (active for more than 24 h)", lambda f: len(f["stale"]), 0, "", 0, "none; less than 5 on any day",
        "Repair it, or shelve it with a reason until the part is there; if nobody acts on it, it is an event",
    ),
    Advice(
        "priority 1 and 2 of all", _urgent_share, 1, "%", 20, "about 5 % high, 15 % medium, 80 % low, where more than 20 called",
        "If most calls are urgent, none is: lower the priority of what can wait half an hour",
        applies=lambda f: f["total"] > 2 * TOP,
    ),
)  # fmt: skip


def advice(figures: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return one row per figure: name, measured (text), goal, ok (None: too early or too few to say), what to do if it is not."""
    return [_row(row, figures) for row in ROWS]


def _row(row: Advice, figures: Mapping[str, Any]) -> dict[str, Any]:
    if figures["to_ms"] - figures["from_ms"] < row.needs_ms:
        return {"name": row.name, "measured": "too early", "goal": row.goal, "ok": None, "remedy": ""}
    if figures["total"] and not row.applies(figures):
        return {"name": row.name, "measured": "too few", "goal": row.goal, "ok": None, "remedy": ""}
    value = row.measured(figures)
    ok = not figures["total"] or value <= row.most
    return {
        "name": row.name,
        "measured": f"{value:.{row.digits}f} {row.unit}".strip(),
        "goal": row.goal,
        "ok": ok,
        "remedy": "" if ok else row.remedy,
    }
