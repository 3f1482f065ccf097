"""Opens a package that came by mail: every name, size and checksum is verified before anything of it is used."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any, Final

import orjson

from plantview.errors import StartRefused
from plantview.evidence.shape import (
    FILE_BYTES_MAX,
    FILES_MAX,
    FORMAT,
    MANIFEST,
    MANIFEST_BYTES_MAX,
    NAMES,
    PACKED_BYTES_MAX,
    UNPACKED_BYTES_MAX,
    Opened,
)
from plantview.evidence.startup_shape import CAPTURES, capture_trouble, notes_trouble
from plantview.evidence.startup_shape import FILE as NOTES

READ_BYTES: Final = 1 << 20
METHODS: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
ENCRYPTED: Final = 0x1
PLAIN_SQL: Final = ("CREATE TABLE ", "CREATE INDEX ", "CREATE UNIQUE INDEX ")
"""All that a file of ours holds; a view, a trigger or a virtual table could make a reader do more than read."""


def unpack(file: Path, folder: Path) -> Opened:
    """Unpack a package into an empty folder; StartRefused with the reason if anything about it is not right."""
    if folder.exists() and any(folder.iterdir()):
        raise StartRefused(f"{folder} is not empty; name a new folder with --into")
    try:
        if file.stat().st_size > PACKED_BYTES_MAX:
            raise StartRefused(f"{file} is larger than {PACKED_BYTES_MAX // 1_000_000} MB; that is no evidence package")
        with zipfile.ZipFile(file) as packed:
            entries = _entries(file, packed)
            manifest = _manifest(file, packed, entries)
            for name, entry in entries.items():
                if name != MANIFEST:
                    _extract(file, packed, entry, folder / name, manifest["files"][name])
    except OSError as error:
        raise StartRefused(f"{file} cannot be opened: {error.strerror or error}") from error
    except (zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, EOFError, RuntimeError) as error:
        raise StartRefused(f"{file} is no evidence package, or was damaged on its way: {error}") from error
    for path in sorted((folder / "data").rglob("*.db")):
        _plain(file, path)
    _noted(file, folder / "data")
    return Opened(folder / "plant", folder / "data", manifest)


def _entries(file: Path, packed: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    found: dict[str, zipfile.ZipInfo] = {}
    infos = packed.infolist()
    if len(infos) > FILES_MAX:
        raise StartRefused(f"{file} holds more than {FILES_MAX} files; that is no evidence package")
    for entry in infos:
        if not NAMES.fullmatch(entry.filename) or entry.filename in found:
            raise StartRefused(
                f"{file} holds '{entry.filename[:80]}', which no evidence package does; nothing was unpacked"
            )
        if entry.flag_bits & ENCRYPTED or entry.compress_type not in METHODS:
            raise StartRefused(f"{file}: '{entry.filename}' is packed in a way that is not read; nothing was unpacked")
        if (entry.external_attr >> 16) & 0o170000 not in {0, 0o100000}:
            raise StartRefused(f"{file}: '{entry.filename}' is no plain file; nothing was unpacked")
        found[entry.filename] = entry
    if max((entry.file_size for entry in infos), default=0) > FILE_BYTES_MAX or (
        sum(entry.file_size for entry in infos) > UNPACKED_BYTES_MAX
    ):
        raise StartRefused(
            f"{file} would unpack to more than {UNPACKED_BYTES_MAX // 1_000_000} MB; nothing was unpacked"
        )
    return found


def _manifest(file: Path, packed: zipfile.ZipFile, entries: Mapping[str, zipfile.ZipInfo]) -> dict[str, Any]:
    entry = entries.get(MANIFEST)
    if entry is None or entry.file_size > MANIFEST_BYTES_MAX:
        raise StartRefused(f"{file} has no manifest; that is no evidence package")
    with packed.open(entry) as stream:
        raw = stream.read(MANIFEST_BYTES_MAX + 1)
    try:
        manifest = orjson.loads(raw)
        version = int(manifest["format"])
        files = {str(name): (int(row["bytes"]), str(row["sha256"])) for name, row in manifest["files"].items()}
        moments = int(manifest["from_ms"]), int(manifest["to_ms"])
    except (ValueError, TypeError, KeyError, AttributeError):
        raise StartRefused(f"{file}: its manifest cannot be read; that is no evidence package") from None
    if version > FORMAT:
        made = str(manifest.get("plantview", "unknown"))[:20]
        raise StartRefused(
            f"{file} was made by a newer plantview ({made}, format {version}; this one reads {FORMAT}); install that one"
        )
    if files.keys() != entries.keys() - {MANIFEST}:
        odd = min(files.keys() ^ (entries.keys() - {MANIFEST}))
        raise StartRefused(
            f"{file} was changed on its way: '{odd[:80]}' is in the manifest or in the file, not in both"
        )
    if not 0 <= moments[0] < moments[1] < 2**53 or "plant/plant.toml" not in files:
        raise StartRefused(f"{file}: its manifest names no span or no plant; that is no evidence package")
    return {**manifest, "files": files}


def _extract(
    file: Path, packed: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path, promised: tuple[int, str]
) -> None:
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    made = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(made, "wb") as out, packed.open(entry) as stream:
        size, digest = _copied(stream, out, promised[0])
    if (size, digest) != promised:
        target.unlink()
        raise StartRefused(
            f"{file} was changed or damaged on its way: '{entry.filename}' is not what the manifest says; have it sent again"
        )


def _copied(stream: IO[bytes], out: IO[bytes], most: int) -> tuple[int, str]:
    """Copy at most one byte more than was promised; return what there was."""
    digest, size = hashlib.sha256(), 0
    while size <= most and (part := stream.read(min(READ_BYTES, most + 1 - size))):
        out.write(part)
        digest.update(part)
        size += len(part)
    return size, digest.hexdigest()


def _plain(file: Path, path: Path) -> None:
    """Refuse a database that holds more than tables and indexes, or is damaged."""
    try:
        with contextlib.closing(sqlite3.connect(f"file:{path.resolve()}?mode=ro", uri=True)) as db:
            db.execute("PRAGMA trusted_schema = OFF")
            rows = db.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
            whole = db.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.Error as error:
        raise StartRefused(f"{file}: {path.name} is no database of ours: {error}") from error
    if whole != "ok" or not all(str(row[0]).upper().startswith(PLAIN_SQL) for row in rows):
        raise StartRefused(f"{file}: {path.name} holds more than readings or is damaged; it is not opened")


def _noted(file: Path, data: Path) -> None:
    """Refuse start-up notes or captures that are not what they should be: their rows go to pages as they are."""
    notes, captures = data / NOTES, sorted((data / CAPTURES).glob("*"))
    try:
        found = [("its start-up notes", notes_trouble(notes))] if notes.exists() else []
    except sqlite3.Error as error:
        found = [("its start-up notes", str(error))]
    found += [(path.name, capture_trouble(path)) for path in captures]
    for name, trouble in found:
        if trouble:
            raise StartRefused(f"{file}: {name}: {trouble}; it is not opened")
