"""``/metrics``: a few figures for a monitoring program, in the OpenMetrics 1.0 text format; off unless asked for.

The format: one line of type, unit and help per family, then its samples; label values escaped; ``# EOF`` at the end.
What is not known has no sample: a missing figure must not read as zero.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import psutil
from starlette.requests import Request
from starlette.responses import Response

from plantview import __version__
from plantview.web.frame_view import FrameView
from plantview.web.live import Live

CONTENT: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"
PRIORITIES: Final = ("1", "2", "3", "4")
_ESCAPES: Final = str.maketrans({"\\": "\\\\", '"': '\\"', "\n": "\\n"})

Sample = tuple[Mapping[str, str], float]


@dataclass(frozen=True, slots=True)
class Family:
    """One figure with its samples by label."""

    name: str
    kind: str
    help: str
    samples: tuple[Sample, ...]
    unit: str = ""

    def lines(self) -> Iterable[str]:
        """Return the family as the format writes it."""
        yield f"# TYPE {self.name} {self.kind}"
        if self.unit:
            yield f"# UNIT {self.name} {self.unit}"
        yield f"# HELP {self.name} {self.help.translate(_ESCAPES)}"
        suffix = {"counter": "_total", "info": "_info"}.get(self.kind, "")
        for labels, number in self.samples:
            inside = ",".join(f'{key}="{text.translate(_ESCAPES)}"' for key, text in labels.items())
            yield f"{self.name}{suffix}{'{' + inside + '}' if inside else ''} {number:.17g}"


class Monitoring:
    """Answers for one plant."""

    def __init__(self, view: FrameView, live: Live) -> None:
        self._view, self._live = view, live
        self._process = psutil.Process()

    async def answer(self, _request: Request) -> Response:
        """Return the figures of this moment."""
        lines = [line for family in self._families() for line in family.lines()]
        return Response("\n".join([*lines, "# EOF", ""]), headers={"content-type": CONTENT})

    def _families(self) -> list[Family]:
        known = self._view.link().ok
        return [
            Family(
                "plantview_build", "info", "What runs.", (({"version": __version__, "plant": self._view.plant.id}, 1),)
            ),
            _one("plantview_link_up", "1 if the field process is heard.", known),
            *(self._of_field() if known else ()),
            *self._of_process(),
        ]

    def _of_field(self) -> Iterable[Family]:
        health, active = self._view.health, self._view.alarms.get("active", [])
        rows: list[dict[str, Any]] = health.get("devices", [])
        yield _one("plantview_devices", "Devices that are polled.", len(rows))
        yield _one("plantview_devices_silent", "Devices that do not answer.", len(health.get("silent", [])))
        yield _counted("plantview_polls_skipped", "Polls that were due and came too late.", rows, "skipped")
        yield _counted("plantview_requests", "Requests to devices.", rows, "requests")
        by_priority = tuple(
            ({"priority": number}, float(sum(str(row["priority"]) == number for row in active)))
            for number in PRIORITIES
        )
        words = "Alarms that stand, by priority (1 is the most urgent)."
        yield Family("plantview_alarms_active", "gauge", words, by_priority)
        waiting = sum(not row["acked"] for row in active)
        yield _one("plantview_alarms_unacknowledged", "Alarms that nobody has acknowledged.", waiting)

    def _of_process(self) -> Iterable[Family]:
        used = self._process.cpu_times()
        memory, cpu = self._process.memory_info().rss, used.user + used.system
        yield _one("plantview_viewers", "Pages that are open.", self._live.viewers)
        yield Family(
            "process_resident_memory_bytes", "gauge", "Memory of the web process.", (({}, float(memory)),), "bytes"
        )
        yield Family("process_cpu_seconds", "counter", "Processor time of the web process.", (({}, cpu),), "seconds")


def _one(name: str, words: str, number: float) -> Family:
    return Family(name, "gauge", words, (({}, float(number)),))


def _counted(name: str, words: str, rows: list[dict[str, Any]], key: str) -> Family:
    samples = tuple(({"device": str(row["id"])}, float(row[key])) for row in rows if key in row)
    return Family(name, "counter", words, samples)
