"""The chain of the audit: how a line is hashed, and whether files on disk still hold what was written.

    hash = SHA-256 over the line's JSON, keys sorted, without its own hash, with the hash of the line before as ``prev``

The anchor is a second file, in another folder: every so often it takes down number and hash of the last line.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import orjson

FIRST: Final = "0" * 64
"""``prev`` of the very first line."""
FOLDER: Final = "audit"
PATTERN: Final = "audit-*.jsonl"
ANCHOR: Final = "audit-anchor.jsonl"
LINE_BYTES_MAX: Final = 64 * 1024


@dataclass(frozen=True, slots=True)
class Verdict:
    """What verifying found."""

    lines: int
    """Lines that hold, from the first on."""
    head: str
    """Hash of the last line that holds."""
    anchors: int
    """Anchors that agree."""
    wrong: str = ""
    """The first thing that does not hold, in words, with file and line; empty if everything does."""

    @property
    def holds(self) -> bool:
        """Return whether nothing was found."""
        return not self.wrong


def hashed(record: dict[str, Any]) -> str:
    """Return the hash of a line without its own."""
    plain = {key: value for key, value in record.items() if key != "hash"}
    return hashlib.sha256(orjson.dumps(plain, option=orjson.OPT_SORT_KEYS)).hexdigest()


def files(folder: Path) -> list[Path]:
    """Return the files of an audit, oldest first."""
    return sorted((folder / FOLDER).glob(PATTERN))


def lines(folder: Path) -> Iterator[tuple[str, bytes]]:
    """Yield place (``audit-000001.jsonl:7``) and octets of each line."""
    for path in files(folder):
        with path.open("rb") as file:
            for number, line in enumerate(iter(lambda file=file: file.readline(LINE_BYTES_MAX), b""), 1):  # type: ignore[misc]
                yield f"{path.name}:{number}", line


def verify(folder: Path, anchor_folder: Path) -> Verdict:
    """Return whether all lines are as they were written and reach the anchor; ``folder`` is the data folder."""
    anchors, wrong = _anchors(anchor_folder)
    seq, head, agreed = 0, FIRST, 0
    for place, octets in lines(folder):
        why = wrong or _against(octets, seq, head)
        if why:
            return Verdict(seq, head, agreed, f"{place}: {why}" if why != wrong else why)
        record = orjson.loads(octets)
        seq, head = record["seq"], record["hash"]
        if seq in anchors:
            if anchors[seq] != head:
                return Verdict(seq - 1, record["prev"], agreed, f"{place}: line {seq} is not the one that was anchored")
            agreed += 1
    last = max(anchors, default=0)
    if wrong or last > seq:
        wrong = wrong or f"the audit ends at line {seq}, but line {last} was anchored: lines are missing at its end"
    return Verdict(seq, head, agreed, wrong)


def _against(octets: bytes, seq: int, head: str) -> str:
    try:
        record = orjson.loads(octets)
    except orjson.JSONDecodeError:
        return "is no line of an audit"
    if not isinstance(record, dict) or not octets.endswith(b"\n"):
        return "is no line of an audit"
    if record.get("seq") != seq + 1:
        return f"has number {record.get('seq')} where {seq + 1} must stand: lines are missing, or were put in"
    if record.get("prev") != head:
        return "does not follow from the line before"
    return "" if record.get("hash") == hashed(record) else "was changed after it was written"


def _anchors(folder: Path) -> tuple[dict[int, str], str]:
    """Return the anchored hash by line number, and what is wrong with the anchor."""
    path = folder / ANCHOR
    found: dict[int, str] = {}
    if not path.exists():
        return found, f"the anchor {path.name} is missing" if folder.exists() else ""
    for number, line in enumerate(path.read_bytes().splitlines(keepends=True), 1):
        try:
            row = orjson.loads(line)
            found[int(row["seq"])] = str(row["hash"])
        except (orjson.JSONDecodeError, KeyError, TypeError, ValueError):
            if line.endswith(b"\n"):
                return found, f"{ANCHOR}:{number}: is no anchor"
            # the last line of a power cut: it was never relied upon
    return found, ""
