"""``plantview audit show|verify`` and ``plantview overrides``: who did what to the plant, and what is held now."""

from __future__ import annotations

import argparse
import asyncio
import getpass
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import orjson

from plantview.audit import verify
from plantview.audit.chain import lines
from plantview.channel.client import ask_once
from plantview.channel.paths import socket_path
from plantview.config.loader import load_plant
from plantview.model.person import Person, Role

ASK_REAL_S: Final = 60.0
SHOWN: Final = ("named", "point", "before", "requested", "after", "priority", "result", "rule", "reason")


def anchor_folder(plant_dir: Path, data: Path) -> Path:
    """Return the folder of the audit's anchor."""
    anchor = load_plant(plant_dir).writes.anchor
    return Path(anchor) if anchor else data / "audit-anchor"


def audit(args: argparse.Namespace, folder: Path, data: Path) -> tuple[list[str], bool]:
    """Return the lines to print, and whether everything holds."""
    if args.what == "verify":
        return _verified(data, anchor_folder(folder, data))
    shown = list(_shown(data, args.last))
    return shown or ["nothing was written down yet"], True


def _verified(data: Path, anchor: Path) -> tuple[list[str], bool]:
    verdict = verify(data, anchor)
    if verdict.holds:
        return [f"{verdict.lines} line(s) hold; {verdict.anchors} anchor(s) agree; head {verdict.head}"], True
    return [f"{verdict.lines} line(s) hold, then: {verdict.wrong}"], False


def _shown(data: Path, last: int) -> Iterator[str]:
    for _, octets in [*lines(data)][-last:]:
        try:
            row = orjson.loads(octets)
        except orjson.JSONDecodeError:
            yield "a line that cannot be read: see plantview audit verify"
            continue
        yield _line(row)


def _line(row: dict[str, Any]) -> str:
    parts = [f"{name} {row[name]}" for name in SHOWN if row.get(name) not in (None, "")]
    who = f"{row.get('actor', '')} ({row['role']})" if row.get("role") else str(row.get("actor", ""))
    return printable(f"{row.get('seq', '?'):>6} {row.get('at', '')}  {who}: {row.get('act', '')}  {'; '.join(parts)}")


def printable(text: str) -> str:
    """Return text without anything that could move a terminal's cursor or turn its writing round."""
    return "".join(letter if letter.isprintable() else f"\\x{ord(letter):02x}" for letter in text)


def overrides(args: argparse.Namespace, data: Path) -> tuple[list[str], bool]:
    """Return what is held by us, after releasing everything if that is wanted."""
    return asyncio.run(_overrides(data, release=args.release_all))


async def _overrides(data: Path, *, release: bool) -> tuple[list[str], bool]:
    path = socket_path(data)
    if release:
        # whoever may open the socket is the user under whom plantview runs: they may release, nothing else
        person = Person(f"{getpass.getuser()} at the terminal", Role.TECHNICIAN, "terminal", "terminal")
        await ask_once(path, "command", {"act": "release_all", "person": person.row(), "body": {}}, ASK_REAL_S)
    _, state = await ask_once(path, "command_state", {}, ASK_REAL_S)
    if not state["enabled"]:
        return ["writing is not enabled at this plant"], True
    open_ones = [row for row in state["overrides"] if row["open"]]
    found = [
        f"{row['point']:<28} {row['value']:g}  {row['state']} {row['result']}  {row['left_s']} s left  {row['person']}: {row['reason']}"
        for row in open_ones
    ]
    return [printable(line) for line in found] or ["nothing is held by this program"], not (release and open_ones)
