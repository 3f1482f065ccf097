"""What devices taught us about their limits, kept over a restart in one small file.

Without it every restart would meet each hole and each size limit anew, as a row of refused requests.
A lesson is forgotten with the plan it belongs to, and after a month: a limit may have been a passing one.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

import orjson

from plantview.clock import Clock
from plantview.model.plant import Device
from plantview.model.point import Point

SCHEMA: Final = 1
KEPT_FOR_MS: Final = 30 * 86_400_000
OCTETS_MAX: Final = 4_000_000
_LOG: Final = logging.getLogger(__name__)


class Memory:
    """Lessons by plan; a file that cannot be read or written costs the lessons and nothing else."""

    def __init__(self, file: Path | None, clock: Clock) -> None:
        self._file, self._clock = file, clock
        self._lessons: dict[str, dict[str, Any]] = self._read() if file else {}

    def recall(self, key: str) -> Mapping[str, Any]:
        """Return what was learned under ``key``; empty if nothing was, or too long ago."""
        lesson = self._lessons.get(key, {})
        fresh = self._clock.now_ms() - lesson.get("at_ms", 0) < KEPT_FOR_MS
        learned = lesson.get("learned", {})
        return learned if fresh and isinstance(learned, dict) else {}

    def keep(self, key: str, learned: Mapping[str, Any]) -> None:
        """Keep what was learned; writes only what is new."""
        if self._file is None or self._lessons.get(key, {}).get("learned", {}) == learned:
            return
        self._lessons[key] = {"at_ms": self._clock.now_ms(), "learned": dict(learned)}
        self._write(self._file)

    def _read(self) -> dict[str, dict[str, Any]]:
        file = self._file
        if file is None or not file.exists():
            return {}
        try:
            if file.stat().st_size > OCTETS_MAX:
                raise ValueError("it is too large to be ours")
            found = orjson.loads(file.read_bytes())
            lessons = found["lessons"] if found["schema"] == SCHEMA else {}
            return {str(key): dict(one) for key, one in lessons.items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            _LOG.warning("%s cannot be used (%s): device limits are learned anew", file, error)
            return {}

    def _write(self, file: Path) -> None:
        oldest_ms = self._clock.now_ms() - KEPT_FOR_MS
        self._lessons = {key: one for key, one in self._lessons.items() if one.get("at_ms", 0) > oldest_ms}
        beside = file.with_suffix(".new")
        try:
            beside.write_bytes(orjson.dumps({"schema": SCHEMA, "lessons": self._lessons}, option=orjson.OPT_INDENT_2))
            beside.replace(file)  # whole or not at all, whenever the power goes
        except OSError as error:
            _LOG.warning("device limits cannot be kept in %s: %s", file, error)


def plan_key(device: Device, points: Iterable[Point], period_s: float) -> str:
    """Return the name of one plan; another address, unit or list of points makes it another plan."""
    listed = "|".join(sorted(f"{point.address} {point.address!r}" for point in points))
    print_of_map = hashlib.sha256(listed.encode()).hexdigest()[:16]
    return f"{device.id} {device.station} {device.unit} {period_s:g} s {print_of_map}"
