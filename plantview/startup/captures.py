"""First-out captures: all that was read around a trip, five minutes before to two after, kept as files.

Nothing is recorded for it that is not read anyway: at full rate means every sample as it was polled. A capture that was
due when the program ended is written when it starts again, as far as history on disk reaches.
"""

from __future__ import annotations

import gzip
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import orjson

from plantview.alarms import Entry, Rule
from plantview.alarms.journal import ANN, REALARM
from plantview.history import Samples
from plantview.model.plant import Plant
from plantview.startup.memory import Memory

BEFORE_MS: Final = 5 * 60_000
AFTER_MS: Final = 2 * 60_000
FOLDER: Final = "captures"
FILES_MAX: Final = 50
BYTES_MAX: Final = 50_000_000
PENDING_MAX: Final = 20
PENDING: Final = "pending"
CLASS: Final = "trip"
_NAME: Final = re.compile(r"[0-9]{13}-[A-Za-z0-9._-]{1,100}")

Read = Callable[[Sequence[str], int, int], Mapping[str, Samples]]


@dataclass(frozen=True, slots=True)
class Pending:
    """A capture whose two minutes are not over."""

    alarm: str
    equipment: str
    at_ms: int
    text: str

    @property
    def name(self) -> str:
        """Return the name of its file, without ending."""
        return f"{self.at_ms:013d}-{re.sub(r'[^A-Za-z0-9._-]', '-', self.alarm)[:100]}"


class Captures:
    """Notices trips, and writes what lay around them once their two minutes are over."""

    def __init__(self, plant: Plant, rules: Iterable[Rule], names: Iterable[str], folder: Path, memory: Memory) -> None:
        self._plant, self._folder, self._memory = plant, folder / FOLDER, memory
        self._rules = {rule.id: rule for rule in rules if rule.first_out or rule.class_name == CLASS}
        self._names = tuple(names)
        self._pending: list[Pending] = []
        self.trouble = ""

    def recall(self) -> None:
        """Take back what was due when the program ended."""
        self._pending = [Pending(**row) for row in self._memory.rows(PENDING).values()][:PENDING_MAX]

    def take(self, entries: Iterable[Entry]) -> None:
        """Begin a capture with the first alarm of a trip; what follows within its two minutes is inside it already."""
        for entry in entries:
            rule = self._rules.get(entry.alarm)
            if rule is None or entry.kind not in {ANN, REALARM} or len(self._pending) >= PENDING_MAX:
                continue
            if any(one.equipment == rule.equipment and entry.at_ms <= one.at_ms + AFTER_MS for one in self._pending):
                continue
            one = Pending(rule.id, rule.equipment, entry.at_ms, entry.text)
            self._pending.append(one)
            self._memory.keep(PENDING, one.name, {"alarm": one.alarm, "equipment": one.equipment,
                                                  "at_ms": one.at_ms, "text": one.text})  # fmt: skip

    def due(self, now_ms: int) -> list[Pending]:
        """Return the captures whose time is over, and forget them."""
        due = [one for one in self._pending if now_ms >= one.at_ms + AFTER_MS]
        self._pending = [one for one in self._pending if one not in due]
        return due

    def waiting(self) -> list[dict[str, Any]]:
        """Return what is being captured now."""
        return [{"alarm": one.alarm, "equipment": one.equipment, "at_ms": one.at_ms} for one in self._pending]

    def write(self, one: Pending, read: Read) -> None:
        """Write a capture and drop the oldest beyond the bounds; a failing disk is told in ``trouble``."""
        names = self._around(one.equipment)
        from_ms, to_ms = one.at_ms - BEFORE_MS, one.at_ms + AFTER_MS
        samples = {name: found for name, found in read(names, from_ms, to_ms + 1).items() if found.at_ms.size}
        body = {
            "id": one.name, "alarm": one.alarm, "equipment": one.equipment, "at_ms": one.at_ms, "text": one.text,
            "from_ms": from_ms, "to_ms": to_ms, "rows": sum(int(found.at_ms.size) for found in samples.values()),
            "points": list(samples),
        }  # fmt: skip
        lines = [orjson.dumps(body), *(orjson.dumps(_told(name, found)) for name, found in samples.items())]
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            path = self._folder / f"{one.name}.jsonl.gz"
            half = path.with_suffix(".new")
            half.write_bytes(gzip.compress(b"\n".join(lines)))
            half.replace(path)
            self._prune()
            self.trouble = ""
        except OSError as error:
            self.trouble = f"the capture of {one.alarm} cannot be written: {error}"
            return
        self._memory.keep(PENDING, one.name, None)

    def _around(self, machine: str) -> list[str]:
        """Return the signals of a machine, of what stands in its branches or is named after it, and of its headers."""
        near = {machine}
        for loop in self._plant.loops.values():
            for stage in loop.stages:
                for branch in stage.branches:
                    names = {port.equipment for port in branch}
                    if machine in names:
                        near |= names | {stage.start, stage.end}
        near |= {item.id for item in self._plant.equipment.values() if item.part_of in near or item.kind == "pump"}
        return [name for name in self._names if name.rpartition(".")[0] in near]

    def _files(self) -> list[Path]:
        return sorted(self._folder.glob("*.jsonl.gz")) if self._folder.is_dir() else []

    def _prune(self) -> None:
        files = self._files()
        total = sum(path.stat().st_size for path in files)
        while files and (len(files) > FILES_MAX or total > BYTES_MAX):
            oldest = files.pop(0)
            total -= oldest.stat().st_size
            oldest.unlink()

    def rows(self) -> list[dict[str, Any]]:
        """Return the captures on disk, newest first."""
        found = []
        for path in reversed(self._files()):
            try:
                with gzip.open(path) as file:
                    found.append(orjson.loads(file.readline()))
            except (OSError, EOFError, ValueError):
                found.append({"id": path.name.removesuffix(".jsonl.gz"), "damaged": True})
        return found

    def one(self, name: str) -> dict[str, Any] | None:
        """Return a capture with all its samples; None if there is none of that name."""
        path = self._folder / f"{name}.jsonl.gz"
        if not _NAME.fullmatch(name) or not path.is_file():
            return None
        try:
            head, *rest = gzip.decompress(path.read_bytes()).split(b"\n")
            return {**orjson.loads(head), "samples": [orjson.loads(line) for line in rest]}
        except (OSError, EOFError, ValueError):
            return None


def _told(name: str, found: Samples) -> dict[str, Any]:
    usable = [None if math.isnan(value) else value for value in found.values.tolist()]
    return {"point": name, "at_ms": found.at_ms.tolist(), "values": usable, "quality": found.quality.tolist()}
