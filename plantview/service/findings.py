"""Findings in the field process: the judge is asked on the schedule, and doubted points are withheld until a person decides."""

from __future__ import annotations

import asyncio
import hashlib
import logging
from collections.abc import Awaitable, Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np

from plantview.channel.messages import AskRefused
from plantview.checks import Judge, withheld
from plantview.checks.edits import point_lines, refrigerant_lines
from plantview.checks.finding import finding_of, reasons
from plantview.checks.judge import Verdict
from plantview.checks.offsets import Compared, compare, places
from plantview.checks.window import Window, refused_numbers, window_of
from plantview.clock import Clock
from plantview.history import Samples
from plantview.model.columns import Floats, Ints
from plantview.model.plant import Plant
from plantview.model.reading import Frame
from plantview.model.signal import Signal
from plantview.service.findings_kept import Kept
from plantview.service.offset_table import OffsetTable

Body = dict[str, Any]
PERIOD_S: Final = 120.0
"""Plant time between two looks."""
WINDOW_MS: Final = 45 * 60_000
ROW_MS: Final = 30_000
PERIODS_BEHIND_MS: Final = 2 * 900_000
"""So long after a finding, sums over a quarter of an hour may still hold readings of doubted points."""
BUSY_SHARE: Final = 0.02
"""Of real time that looking may take: after a long look the next one waits."""
REASON_MIN: Final = 10
TEXT_MAX: Final = 500
DECISIONS: Final = ("accept", "right")
CAUTION: Final = (
    "A finding is a proposal from balances, not a verdict: look at the sensor, its wires and the controller first. "
    "The machine's manual, local codes and licensed practice come before anything said here."
)

log = logging.getLogger("plantview.service")


class Past(Protocol):
    """What the findings read of history."""

    def table(self, names: Sequence[str], from_ms: int, to_ms: int) -> tuple[Ints, Floats]:
        """Return times and reported numbers."""
        ...

    def recent(self, name: str, from_ms: int, to_ms: int) -> Samples:
        """Return samples with their reasons."""
        ...


class Findings:
    """What is open, what was decided, and what is withheld because of it."""

    def __init__(
        self, plant: Plant, data: Path, clock: Clock, history: Past, periodic: Mapping[str, Signal] | None = None
    ) -> None:
        """Take up what was open and decided; ``periodic`` are derived values that tell about a period behind."""
        self._plant, self._clock, self._history = plant, clock, history
        self._periodic = periodic or {}
        self._judge = Judge(plant)
        self._places = places(plant)
        self._kept = Kept(data)
        self._offsets = OffsetTable(plant, clock, self._kept, self._reported)
        self._rest_until_s = 0.0
        self.last: Body = {"at_ms": None, "laws": len(self._judge.laws), "judged": 0, "broken": 0, "took_ms": None}
        self._names = tuple(
            dict.fromkeys((*self._judge.points, *(name for place in self._places for name in place.sensors)))
        )
        self._drop_changed()
        self._reasons = self._withheld_now()

    # --- what the other rooms ask -------------------------------------------------------------
    def withheld(self, frame: Frame) -> Frame:
        """Return a frame without the numbers of points that are in doubt, nor those of periods in which they still counted."""
        if not self._reasons:
            return frame
        return withheld(frame, {**self._reasons, **self._of_periods(frame.at_ms)})

    def _of_periods(self, now_ms: int) -> dict[str, str]:
        since_ms = max(row["since_ms"] for row in self._kept.lists["open"])
        if now_ms - since_ms > PERIODS_BEHIND_MS:
            return {}
        doubted = self._reasons
        return {
            name: f"needs {point}: {doubted[point]}"
            for name, signal in self._periodic.items()
            if (point := next((each for each in signal.inputs if each in doubted), ""))
        }

    def count(self) -> int:
        """Return how many findings wait for a decision or for the description to be corrected."""
        return len(self._kept.lists["open"])

    def answers(self) -> dict[str, Callable[[Body], Awaitable[Body]]]:
        """Return the questions with their answers."""
        return {"findings": self.state, "finding_decide": self.decide, **self._offsets.answers()}

    # --- the look -----------------------------------------------------------------------------
    async def look(self) -> None:
        """Judge the last three quarters of an hour; does nothing while the last look was long ago enough to rest."""
        if self._real_s() < self._rest_until_s:
            return
        at_ms, reported, beyond = self._read()
        if not at_ms.size:
            return
        started_s = self._real_s()
        verdict, compared = await asyncio.to_thread(self._work, at_ms, reported, beyond)
        took_s = self._real_s() - started_s
        self._rest_until_s = started_s + took_s / BUSY_SHARE
        kept = verdict.kept.values()
        self.last = {
            "at_ms": self._clock.now_ms(), "laws": len(kept), "judged": sum(each.judged for each in kept),
            "broken": sum(each.fails for each in kept), "took_ms": round(took_s * 1_000, 1),
        }  # fmt: skip
        self._take(verdict)
        self._offsets.take(compared)

    @staticmethod
    def _real_s() -> float:
        return asyncio.get_running_loop().time()

    def _work(
        self, at_ms: Ints, reported: Mapping[str, Floats], beyond: Mapping[str, Floats]
    ) -> tuple[Verdict, tuple[Compared, ...]]:
        window: Window = window_of(self._plant, at_ms, reported, ROW_MS, beyond)
        return self._judge.look(window), compare(self._plant, self._places, window)

    def _read(self) -> tuple[Ints, dict[str, Floats], dict[str, Floats]]:
        now_ms = self._clock.now_ms()
        at_ms, table = self._history.table(self._names, now_ms - WINDOW_MS, now_ms + 1)
        reported = dict(zip(self._names, table, strict=True))
        beyond: dict[str, Floats] = {}
        for name, numbers in reported.items():
            if not np.isfinite(numbers).any() and not self._plant.points[name].states:
                samples = self._history.recent(name, now_ms - WINDOW_MS, now_ms + 1)
                refused = refused_numbers(samples.values, samples.quality.tolist(), samples.reasons)
                beyond[name] = np.full(at_ms.size, np.nan)
                beyond[name][np.searchsorted(at_ms, samples.at_ms)] = refused
        return at_ms, reported, beyond

    def _take(self, verdict: Verdict) -> None:
        """Open what is new, keep what cannot be judged now, close what closes by itself."""
        rows = {row["finding"]["id"]: row for row in self._kept.lists["open"]}
        settled = {row["id"] for row in self._kept.lists["decided"] if row["decision"] == "right"}
        new = {each.id: each for each in verdict.findings if each.id not in settled}
        changed = False
        for name, row in list(rows.items()):
            if name in new:
                continue
            doubted = set(row["finding"]["points"])
            replaced = any(doubted & set(each.points) for each in new.values())
            laws = [verdict.kept[law] for law in row["finding"]["laws"] if law in verdict.kept]
            if replaced or (laws and all(each.judged and not each.fails for each in laws)):
                why = "another explanation fits better" if replaced else "its balances close by themselves now"
                self._close(row, why)
                del rows[name]
                changed = True
        for name, finding in new.items():
            if name not in rows:
                rows[name] = {
                    "finding": finding.row(),
                    "since_ms": self._clock.now_ms(),
                    "fingerprint": self._print_of(finding.points),
                    "decision": None,
                }
                log.warning("finding: %s", finding.words)
                changed = True
            elif rows[name]["decision"] is None:
                rows[name]["finding"] = finding.row()
        if changed:
            self._kept.lists["open"] = list(rows.values())
            self._kept.write()
            self._reasons = self._withheld_now()

    # --- decisions ----------------------------------------------------------------------------
    async def state(self, _body: Body) -> Body:
        """Return what is open with the lines to change, what was decided, and how the last look went."""
        rows = [{**row, "changes": self._changes(row["finding"])} for row in self._kept.lists["open"]]
        return {
            "now_ms": self._clock.now_ms(), "caution": CAUTION, "open": rows, "decided": self._kept.lists["decided"][::-1],
            "past": self._kept.lists["past"][::-1], "last": self.last, "trouble": self._kept.trouble,
            "offsets": self._offsets.rows(),
        }  # fmt: skip

    async def decide(self, body: Body) -> Body:
        """Take a decision: ``finding``, ``decision`` accept or right, ``person``, ``reason``, ``proposal`` number."""
        name, decision, person = (str(body.get(key, "")).strip() for key in ("finding", "decision", "person"))
        reason, choice = str(body.get("reason", "")).strip()[:TEXT_MAX], body.get("proposal", 0)
        row = next((row for row in self._kept.lists["open"] if row["finding"]["id"] == name), None)
        if row is None:
            raise AskRefused("there is no such finding, or it was decided already", "finding")
        if decision not in DECISIONS:
            raise AskRefused(f"a decision is one of {', '.join(DECISIONS)}", "decision")
        if not person:
            raise AskRefused("a decision needs a name", "person")
        if decision == "right" and len(reason) < REASON_MIN:
            raise AskRefused(f"say in at least {REASON_MIN} characters why it is right", "reason")
        proposals = row["finding"]["proposals"]
        if not isinstance(choice, int) or not 0 <= choice < len(proposals):
            raise AskRefused("there is no such correction", "proposal")
        taken = {
            "id": name,
            "decision": decision,
            "person": person,
            "reason": reason,
            "at_ms": self._clock.now_ms(),
            "words": row["finding"]["words"],
        }
        if decision == "accept":
            row["decision"] = {**taken, "proposal": choice}
        else:
            self._kept.lists["open"] = [each for each in self._kept.lists["open"] if each is not row]
            self._kept.add(
                "decided", {**taken, "fingerprint": row["fingerprint"], "points": list(row["finding"]["points"])}
            )
        self._kept.write()
        self._reasons = self._withheld_now()
        return {"id": name, "decision": decision, "changes": self._changes(row["finding"])[choice]}

    def _changes(self, finding: Mapping[str, Any]) -> list[list[Body]]:
        """Return for each proposal the lines of the description that it changes."""
        folder = Path(self._plant.folder)
        found = []
        for each in finding_of(finding).proposals:
            lines = point_lines(folder, each.edits) if each.edits else ()
            if each.refrigerant:
                lines = (*lines, *refrigerant_lines(folder, *each.refrigerant))
            found.append(
                [{"file": one.file, "number": one.number, "before": one.before, "after": one.after} for one in lines]
            )
        return found

    # --- inside -------------------------------------------------------------------------------
    def _withheld_now(self) -> dict[str, str]:
        return reasons(finding_of(row["finding"]) for row in self._kept.lists["open"])

    def _reported(self, name: str) -> float | None:
        """Return the newest reported number of the last minute; None where there is none."""
        now_ms = self._clock.now_ms()
        samples = self._history.recent(name, now_ms - 60_000, now_ms + 1)
        known = samples.values[np.isfinite(samples.values)]
        return float(known[-1]) if known.size else None

    def _close(self, row: Body, why: str) -> None:
        finding = row["finding"]
        self._kept.add("past", {"id": finding["id"], "words": finding["words"], "since_ms": row["since_ms"],
                                "until_ms": self._clock.now_ms(), "why": why, "decision": row["decision"]})  # fmt: skip

    def _print_of(self, points: tuple[str, ...]) -> str:
        """Return a print of what the description says of some points: a decision holds for that alone."""
        plant = self._plant
        said = [repr((name, plant.points.get(name))) for name in sorted(points)]
        said += [
            plant.equipment[each].traits.get("refrigerant", "")
            for each in sorted({name.partition(".")[0] for name in points} & set(plant.equipment))
        ]
        return hashlib.sha256("\n".join(said).encode()).hexdigest()[:16]

    def _drop_changed(self) -> None:
        """Forget what was found or decided about points that the description now describes otherwise."""
        for name in ("open", "decided"):
            stay = []
            for row in self._kept.lists[name]:
                points = row["points"] if name == "decided" else row["finding"]["points"]
                if row["fingerprint"] == self._print_of(tuple(points)):
                    stay.append(row)
                elif name == "open":
                    self._close(row, "the plant description was changed")
            self._kept.lists[name] = stay
