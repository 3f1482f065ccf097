"""``plantview values`` and ``plantview alarms``: what the field process answers, in 80 columns."""

from __future__ import annotations

from pathlib import Path
from textwrap import wrap
from typing import Any, Final

from plantview.channel.client import ask_once
from plantview.channel.paths import socket_path
from plantview.clock import local_text
from plantview.history.latest import age_text
from plantview.model.plant import Plant
from plantview.units import shown, unit

ASK_REAL_S: Final = 5.0
FOLDED: Final[dict[str, Any]] = {"width": 80, "subsequent_indent": "    ", "break_on_hyphens": False}
QUALITIES: Final = ("", "UNCERTAIN", "STALE", "BAD")


async def ask_values(plant: Plant, data: Path, wanted: str, system: str) -> list[str]:
    """Return one line per signal whose name contains ``wanted``."""
    hello, frame = await ask_once(socket_path(data), "frame", {}, ASK_REAL_S)
    signals = {row["name"]: row for row in hello["signals"]}
    lines = [f"{plant.name}  {local_text(frame['now_ms'], plant.zone)}{_simulated(hello)}"]
    for name, reading in frame["readings"].items():
        if wanted.lower() in name.lower():
            lines.append(_value_line(signals[name], reading, frame["now_ms"], system))
    if len(lines) == 1:
        lines.append(f"no point's name contains '{wanted}'")
    return lines


def _simulated(hello: dict[str, Any]) -> str:
    return f"  SIMULATED x{hello['speed']:g}" if hello["simulated"] else ""


def _value_line(signal: dict[str, Any], reading: list[Any], now_ms: int, system: str) -> str:
    value, quality, reason, at_ms = reading[:4]  # an uncertainty may stand behind
    text = value_text(signal, value, system)
    state = QUALITIES[quality]
    age = age_text(max(0, now_ms - at_ms))
    note = f"{state} {reason}".strip() if state else f"{age} ago"
    return f"{signal['name']:<30.30} {text:>17}  {note}"[:LINE_MAX]


LINE_MAX: Final = 80
"""A terminal over ssh."""


def value_text(signal: dict[str, Any], value: float | None, system: str) -> str:
    """Return a value with its unit as a viewer of ``system`` reads it; ``?`` where there is none."""
    if value is None:
        return "?"
    if signal["states"]:
        return str(signal["states"].get(str(int(value)), f"{value:g}"))
    reported = unit(signal["unit"], signal["quantity"])
    if system == "reported":
        return f"{value:g} {reported.label}"
    target, digits = shown(signal["quantity"], system)
    return f"{target.from_canonical(reported.to_canonical(value)):.{digits}f} {target.label}"


async def ask_alarms(plant: Plant, data: Path) -> list[str]:
    """Return one line per active alarm, the most urgent first."""
    hello, snapshot = await ask_once(socket_path(data), "alarms", {}, ASK_REAL_S)
    active = sorted(snapshot["active"], key=lambda row: (row["priority"], -row["since_ms"]))
    lines = [f"{plant.name}: {len(active)} alarm(s) on the list{_simulated(hello)}"]
    for row in active:
        seen = f"ack {row['acked_by']}" if row["acked"] else "NOT ACKNOWLEDGED"
        if not row["active"] and row.get("returned_ms"):
            seen = f"{seen}; back to normal since {local_text(row['returned_ms'], plant.zone)}"
        when = local_text(row["since_ms"], plant.zone)
        lines += wrap(f"{row['priority']} {when}  {row['equipment']} {row['text']}  {seen}", **FOLDED)
        if row.get("action"):
            lines += wrap(f"    do: {row['action']}", **FOLDED)
    return lines
