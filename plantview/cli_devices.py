"""``plantview devices``: how the polling of each device does, in 80 columns."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any, Final

from plantview.channel.client import ask_once
from plantview.channel.paths import socket_path
from plantview.clock import local_text
from plantview.model.plant import Plant

ASK_REAL_S: Final = 5.0
COLUMNS_MAX: Final = 80
STATES: Final = {"answering": "answers", "silent": "SILENT", "starting": "not heard yet"}
HEAD: Final = f"{'DEVICE':<20} {'STATE':<13} {'LAST':>8} {'CYCLE':>8} {'LOAD':>6} {'REQUESTS':>9} {'FAILED':>6}"


async def ask_devices(plant: Plant, data: Path) -> list[str]:
    """Return one line per device, below it what a technician should know, then the networks they share."""
    hello, health = await ask_once(socket_path(data), "health", {}, ASK_REAL_S)
    devices = health["devices"]
    silent = sum(row["state"] != "answering" for row in devices)
    simulated = f"  SIMULATED x{hello['speed']:g}" if hello["simulated"] else ""
    lines = [f"{plant.name}  {local_text(health['now_ms'], plant.zone)}{simulated}"]
    lines += [f"{len(devices) - silent} of {len(devices)} devices answer", "", HEAD]
    for row in devices:
        lines += device_lines(row, health["now_ms"])
    lines.append("")
    for row in health.get("networks", ()):
        lines += network_lines(row)
    return lines


def device_lines(row: dict[str, Any], now_ms: int) -> list[str]:
    """Return the line of one device, and one more per notice."""
    state = STATES.get(row["state"], row["state"])
    failed = sum(row["failures"].values())
    cycle = "" if row["cycle_ms"] is None else f"{row['cycle_ms']} ms"
    first = (
        f"{row['id']:<20.20} {state:<13} {_ago(row['last_answer_ms'], now_ms):>8} {cycle:>8} "
        f"{row['busy_pct']:>5.1f}% {row['requests']:>9} {failed:>6}"
    )
    lines = [first, f"  {row['station']}, {'instance' if row['protocol'] == 'bacnet' else 'unit'} {row['unit']}"]
    if row["skipped"]:
        lines.append(
            f"  {row['skipped']} cycles skipped: the device is slower than its period of {row['period_s']:g} s"
        )
    if failed:
        kinds = ", ".join(f"{number} {kind}" for kind, number in row["failures"].items())
        lines.append(f"  failures: {kinds}; last: {row['last_error']}")
    lines += [f"  {notice}" for notice in row["notices"].values()]
    return [piece for line in lines for piece in _folded(line)]


def network_lines(row: dict[str, Any]) -> list[str]:
    """Return what one adapter or shared path carries, and what is wrong with it."""
    if "busy_pct" in row:
        load = f"busy {row['busy_pct']:.1f} % of at most {row['busy_max_pct']} %"
    else:
        load = f"{row['requests_per_s']:g} of at most {row['requests_per_s_max']:g} requests/s"
    lines = [f"{row['name']}: {row['devices']} devices, {load}"]
    if row.get("over_budget"):
        lines.append("  OVER ITS BUDGET -> poll less often, or fewer points")
    if row.get("bbmd"):
        lines.append(f"  foreign device at {row['bbmd']}: {row['registration']}")
    for twice in row.get("duplicates", ()):
        others = ", ".join(twice["quarantined"])
        lines.append(f"  instance {twice['instance']} exists twice: {others} is left alone")
    return [piece for line in lines for piece in _folded(line)]


def _ago(at_ms: int | None, now_ms: int) -> str:
    if at_ms is None:
        return "never"
    seconds = max(0, now_ms - at_ms) // 1_000
    return f"{seconds} s" if seconds < 120 else f"{seconds // 60} min"


def _folded(line: str) -> list[str]:
    """Return a line in pieces of 80 columns, the later ones indented further."""
    if len(line) <= COLUMNS_MAX:
        return [line]
    indent = " " * (len(line) - len(line.lstrip()))
    return textwrap.wrap(line, COLUMNS_MAX, subsequent_indent=f"{indent}    ", break_on_hyphens=False)
