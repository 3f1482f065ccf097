"""``plantview evidence``: one file to mail with what a plant did over a while."""

from __future__ import annotations

import argparse
import asyncio
from pathlib import Path
from typing import Any, Final

from plantview.channel.client import ask_once
from plantview.channel.paths import socket_path
from plantview.cli_span import moment_ms
from plantview.clock import SystemClock, local_text
from plantview.config import load_plant
from plantview.config.bundled import data_folder, plant_folder
from plantview.derive import Derivation
from plantview.errors import ChannelError, NotRunning, StartRefused
from plantview.evidence import BYTES_MAX, SUFFIX, Packed, Sources, build
from plantview.evidence.gather import Ask
from plantview.history import Archive
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Reading
from plantview.model.signal import signal_of
from plantview.process import EXIT_OK
from plantview.surveying.preflight import Outcome
from plantview.surveying.verdict import verdict

DAY_MS: Final = 86_400_000
ASK_REAL_S: Final = 10.0
MB: Final = 1_000_000


def grammar(sub: argparse.ArgumentParser) -> None:
    """Add the options."""
    text = "2026-07-01, '2026-07-01 14:30' (time of the site) or 2026-07-01T14:30:00Z"
    sub.add_argument(
        "--from", dest="start", default="", metavar="TIME", help=f"first moment (default 24 h before the end): {text}"
    )
    sub.add_argument("--to", dest="end", default="", metavar="TIME", help="end (default: the newest reading)")
    sub.add_argument("-o", "--out", metavar="FILE", default="", help=f"file to write (default PLANT-DATE{SUFFIX})")
    text = f"size that the file may have; a span that is too large is shortened (default {BYTES_MAX // MB})"
    sub.add_argument("--max-mb", type=_size, default=BYTES_MAX // MB, metavar="MB", help=text)


def evidence(args: argparse.Namespace) -> int:
    """Write the package."""
    folder = plant_folder(args.plant_dir)
    plant = load_plant(folder)
    data = data_folder(args.data, folder)
    packed = asyncio.run(_packed(args, plant, data))
    for line in said(packed, plant):
        print(line)
    return EXIT_OK


def said(packed: Packed, plant: Plant) -> list[str]:
    """Return what is to be said about a package that was made."""
    begin, end = (local_text(at, plant.zone) for at in (packed.from_ms, packed.to_ms))
    lines = [f"wrote {packed.path}: {plant.name}, {begin} to {end}"]
    lines.append(f"{packed.samples} readings, {packed.size / MB:.1f} MB; no passwords, accounts or keys are in it")
    if packed.shortened:
        lines.append(
            f"the span was shortened: from {local_text(packed.asked_from_ms, plant.zone)} it would be too large"
        )
    lines.append(f"open it on any computer with: plantview open {packed.path.name}")
    return lines


async def _packed(args: argparse.Namespace, plant: Plant, data: Path) -> Packed:
    points = {name: signal_of(point) for name, point in plant.points.items()}
    signals = {**points, **Derivation(plant).signals}
    running = await _is_running(data)
    now_ms = SystemClock().now_ms()
    end = moment_ms(args.end, plant.zone, "--to") if args.end else _newest(plant, data, now_ms, running=running)
    begin = moment_ms(args.start, plant.zone, "--from") if args.start else end - DAY_MS
    if begin >= end:
        raise StartRefused("--from does not lie before --to; change them over or correct one")
    target = Path(args.out or f"{plant.id}-{local_text(end, plant.zone)[:10]}{SUFFIX}")
    if not target.parent.is_dir():
        raise StartRefused(f"there is no folder {target.parent}; make it, or choose another with --out")

    async def ask(what: str, body: dict[str, Any]) -> dict[str, Any]:
        return (await ask_once(socket_path(data), what, body, ASK_REAL_S))[1]

    told = {"preflight": await _readiness(plant, ask)} if running else {}
    sources = Sources(plant, data, signals, ask if running else None, now_ms, args.max_mb * MB, told)
    return await build(sources, (begin, end), target)


async def _readiness(plant: Plant, ask: Ask) -> dict[str, Any]:
    """Return what a preflight would say of what is being polled at this moment; nobody is asked anything for it."""
    health, frame = await ask("health", {}), await ask("frame", {})
    away = {row["id"]: str(row.get("last_error", "")) for row in health["devices"] if row.get("state") == "silent"}
    silent = {name: away[point.device] for name, point in plant.points.items() if point.device in away}
    readings = {
        name: Reading(value, Quality(quality), reason, at_ms)
        for name, (value, quality, reason, at_ms, *_) in frame["readings"].items()
        if name in plant.points and name not in silent
    }
    outcome = Outcome(readings, silent, {row["id"]: row for row in health["devices"]})
    # the adapter is in use by whoever polls, so nothing is to be said about it
    found = [one for one in verdict(plant, outcome, {}) if not one.subject.startswith("BACnet adapter")]
    return {"at_ms": frame["now_ms"], "lines": [str(one) for one in found]}


async def _is_running(data: Path) -> bool:
    try:
        await ask_once(socket_path(data), "health", {}, ASK_REAL_S)
    except (NotRunning, ChannelError):
        return False
    return True


def _newest(plant: Plant, data: Path, now_ms: int, *, running: bool) -> int:
    extent = None if running else Archive.of(plant, data).extent()
    if not running and extent is None:
        raise StartRefused(f"there is no history in the data folder {data}; name another with --data")
    return now_ms if extent is None else extent[1] + 1


def _size(text: str) -> int:
    if not text.isdigit() or not 0 < int(text) <= 150:
        raise argparse.ArgumentTypeError(f"'{text}' is no size; give 1 to 150")
    return int(text)
