"""Makes a package: gathers into a folder of its own, packs it, and takes a shorter span if it grew too large.

The data folder and the running field process are only read. The work is done in a thread.
"""

from __future__ import annotations

import asyncio
import sqlite3
import tempfile
import zipfile
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import orjson

from plantview import __version__
from plantview.audit.chain import FOLDER as AUDIT_FOLDER
from plantview.audit.chain import PATTERN as AUDIT_PATTERN
from plantview.clock import SystemClock, utc_text
from plantview.errors import ChannelError, HistoryError, PlantviewError
from plantview.evidence.alarm_copy import FILE as ALARMS
from plantview.evidence.alarm_copy import copy_alarms
from plantview.evidence.secrets import without_secrets
from plantview.evidence.shape import BYTES_MAX, FORMAT, MANIFEST, SPAN_MS_MAX, Packed, sha256_of
from plantview.evidence.startup_copy import copy_captures, copy_startup
from plantview.evidence.startup_shape import CAPTURES
from plantview.evidence.startup_shape import FILE as NOTES
from plantview.history import Archive, Samples, Store
from plantview.history.room import Limits
from plantview.model.plant import Plant
from plantview.model.signal import Signal

DESCRIPTION: Final = ("plant.toml", "points.csv", "writes.toml")
LOOK_BACK_MS: Final = 3_600_000
"""Readings before the span, so that what was current at its beginning is known."""
AT_ONCE: Final = 30
"""Signals whose samples are in memory together."""
SHORTENED_MAX: Final = 6
SPAN_MS_MIN: Final = 600_000
"""A shorter span would be evidence of nothing."""
RECENT_MS: Final = 2 * 3_600_000
CAPTURES_SHARE: Final = 4
"""Captures of trips take one part in four of the bound at most: the span matters more."""

Ask = Callable[[str, dict[str, Any]], Awaitable[dict[str, Any]]]


@dataclass(frozen=True, slots=True)
class Sources:
    """Where a package comes from."""

    plant: Plant
    data: Path
    signals: Mapping[str, Signal]
    """Points and derived values."""
    ask: Ask | None = None
    """Asks the field process; None where none runs."""
    now_ms: int = 0
    bytes_max: int = BYTES_MAX
    told: Mapping[str, Any] = field(default_factory=dict)
    """What else is known about the plant, by the name of its file under ``about``."""


@dataclass(slots=True)
class _Heard:
    """What the field process said, and why not where it did not."""

    recent: dict[str, Samples] = field(default_factory=dict)
    about: dict[str, Any] = field(default_factory=dict)
    silent: str = ""


async def build(sources: Sources, span: tuple[int, int], target: Path) -> Packed:
    """Write the package of a span to ``target`` whole or not at all; HistoryError if there is nothing to pack.

    A package that would be larger than the bound takes the newest part of the span that fits.
    """
    begin, end = max(span[0], span[1] - SPAN_MS_MAX), span[1]
    heard = await _hear(sources, end)
    return await asyncio.to_thread(_pack_within, sources, heard, (begin, end), span[0], target)


async def _hear(sources: Sources, end: int) -> _Heard:
    heard = _Heard()
    if sources.ask is None:
        heard.silent = "no field process was running"
        return heard
    try:
        for what in ("health", "alarms"):
            heard.about[what] = await sources.ask(what, {})
        if end > sources.now_ms - RECENT_MS:
            for name in sources.signals:
                answer = await sources.ask("range", {"point": name, "to_ms": end})
                heard.recent[name] = _samples(answer)
    except (ChannelError, PlantviewError) as error:
        heard.silent = str(error)
    return heard


def _samples(answer: Mapping[str, Any]) -> Samples:
    values = np.array([np.nan if value is None else value for value in answer["values"]], np.float64)
    reasons = tuple(answer["reasons"])
    return Samples(np.array(answer["at_ms"], np.int64), values, np.array(answer["quality"], np.uint8), reasons)


def _pack_within(sources: Sources, heard: _Heard, span: tuple[int, int], asked_ms: int, target: Path) -> Packed:
    begin, end = span
    draft = target.with_name(target.name + ".part")
    try:
        for _ in range(SHORTENED_MAX):
            samples = _make(sources, heard, (begin, end), asked_ms, draft)
            size = draft.stat().st_size
            if size <= sources.bytes_max:
                draft.replace(target)
                return Packed(target, begin, end, asked_ms, samples, size)
            begin = end - round((end - begin) * min(0.8, 0.9 * sources.bytes_max / size))
            if end - begin < SPAN_MS_MIN:
                break
    except OSError as error:
        raise HistoryError(f"the package cannot be written: {error.strerror or error}") from error
    finally:
        draft.unlink(missing_ok=True)
    raise HistoryError(f"even {SPAN_MS_MIN // 60_000} minutes do not fit into {sources.bytes_max / 1e6:g} MB")


def _make(sources: Sources, heard: _Heard, span: tuple[int, int], asked_ms: int, draft: Path) -> int:
    """Gather and pack once; return how many samples there are."""
    with tempfile.TemporaryDirectory(prefix="plantview-evidence-") as folder:
        place = Path(folder)
        samples = _gather(sources, heard, span, place, asked_ms)
        _pack(place, draft)
    return samples


def _gather(sources: Sources, heard: _Heard, span: tuple[int, int], place: Path, asked_ms: int) -> int:
    removed = _describe(Path(sources.plant.folder), place / "plant")
    data = place / "data"
    data.mkdir()
    samples, trouble = _readings(sources, heard, span, data)
    if not samples:
        raise HistoryError("there are no readings in this span; choose another with --from and --to")
    try:
        lines = copy_alarms(sources.data, data / ALARMS, span)
    except sqlite3.Error as error:
        lines, trouble = 0, [*trouble, f"the alarm journal could not be copied: {error}"]
        (data / ALARMS).unlink(missing_ok=True)
    events, captures, more = _startup(sources, span, data)
    trouble += more
    about = place / "about"
    about.mkdir()
    for name, body in {**sources.told, **heard.about, "audit_head": _audit_head(sources.data)}.items():
        (about / f"{name}.json").write_bytes(orjson.dumps(body, option=orjson.OPT_INDENT_2))
    manifest = {
        "format": FORMAT,
        "plantview": __version__,
        "plant_id": sources.plant.id,
        "name": sources.plant.name,
        "zone": sources.plant.zone,
        "simulated": sources.plant.simulated,
        "made": utc_text(SystemClock().now_ms()),
        "from_ms": span[0],
        "to_ms": span[1],
        "from": utc_text(span[0]),
        "to": utc_text(span[1]),
        "asked_from": utc_text(asked_ms),
        "samples": samples,
        "journal_lines": lines,
        "events": events,
        "captures": captures,
        "clock_offsets_s": _offsets(heard.about.get("health", {})),
        "left_out": {
            "description_lines": removed,
            "always": "accounts, keys, passwords, message receivers, access log, audit text",
            "field_process": heard.silent,
            "trouble": trouble[:20],
        },
        "files": {
            str(path.relative_to(place)): {"bytes": path.stat().st_size, "sha256": sha256_of(path)}
            for path in sorted(place.rglob("*"))
            if path.is_file()
        },
    }
    (place / MANIFEST).write_bytes(orjson.dumps(manifest, option=orjson.OPT_INDENT_2))
    return samples


def _startup(sources: Sources, span: tuple[int, int], data: Path) -> tuple[int, int, list[str]]:
    """Take what start-up day noted; return how many events and captures, and what could not be taken."""
    trouble: list[str] = []
    try:
        events = copy_startup(sources.data, data / NOTES, span)
    except sqlite3.Error as error:
        events = 0
        trouble.append(f"the start-up notes could not be copied: {error}")
        (data / NOTES).unlink(missing_ok=True)
    captures, too_many = copy_captures(sources.data, data / CAPTURES, span, sources.bytes_max // CAPTURES_SHARE)
    if too_many:
        trouble.append(f"{too_many} older captures of trips would make it too large")
    return events, captures, trouble


def _describe(folder: Path, target: Path) -> int:
    target.mkdir()
    removed = 0
    for name in DESCRIPTION:
        if (folder / name).is_file():
            text, changed = without_secrets((folder / name).read_text(encoding="utf-8-sig"))
            (target / name).write_text(text, encoding="utf-8")
            removed += changed
    return removed


def _readings(sources: Sources, heard: _Heard, span: tuple[int, int], data: Path) -> tuple[int, list[str]]:
    """Write the readings of a span as a history of their own; return how many, and what could not be read."""
    archive = Archive.of(sources.plant, sources.data)
    store = Store(data, sources.signals, SystemClock(), Limits(reserve_bytes=0))
    count, trouble, names = 0, list[str](), list(sources.signals)
    try:
        for start in range(0, len(names), AT_ONCE):
            some = names[start : start + AT_ONCE]
            count += _write(store, archive, some, heard.recent, span)
            trouble += archive.trouble
        store.seal(everything=True)
    finally:
        store.close()
    for path in (data / "history").iterdir():
        if not path.name[:4].isdecimal():
            path.unlink()
    return count, trouble


def _write(
    store: Store, archive: Archive, names: Sequence[str], recent: Mapping[str, Samples], span: tuple[int, int]
) -> int:
    tails = {name: recent[name] for name in names if name in recent}
    found = archive.ranges(names, span[0] - LOOK_BACK_MS, span[1], tails=tails)
    there = {name: samples for name, samples in found.items() if samples.at_ms.size}
    if there:
        store.backfill(there)
    return sum(int((samples.at_ms >= span[0]).sum()) for samples in there.values())


def _offsets(health: Mapping[str, Any]) -> dict[str, float | None]:
    return {row["id"]: row.get("clock_offset_s") for row in health.get("devices", ())}


def _audit_head(data: Path) -> dict[str, Any]:
    """Return number and hash of the last line of the audit, which others can compare; not what stands in it."""
    files = sorted((data / AUDIT_FOLDER).glob(AUDIT_PATTERN))
    if not files:
        return {"lines": "there is no audit in this data folder"}
    try:
        last = orjson.loads(files[-1].read_bytes().splitlines()[-1])
    except (OSError, ValueError, IndexError) as error:
        return {"lines": f"the audit cannot be read: {error}"}
    return {"file": files[-1].name, "seq": last.get("seq"), "hash": last.get("hash")}


def _pack(place: Path, draft: Path) -> None:
    with zipfile.ZipFile(draft, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as packed:
        for path in sorted(place.rglob("*")):
            if path.is_file():
                packed.write(path, str(path.relative_to(place)))
