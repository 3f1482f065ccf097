"""How far each proof is: off, awaited, made, timed out, lost; and how long it took, from order to proof.

A time from two scans is known within both gaps: the order may be earlier than the scan that saw it, and so may the proof.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from plantview.startup.changes import Edge
from plantview.startup.event import HERE, Event
from plantview.startup.memory import Memory
from plantview.startup.onoff import PART_OPEN
from plantview.startup.proofs import STEPS, Proof

RUNS_KEPT: Final = 10
"""Times per proof that the longest and the last are taken from."""
OFF, AWAITED, MADE, TIMED_OUT, LOST, UNKNOWN = "off", "awaited", "made", "timed out", "lost", "unknown"
KEPT: Final = "times"


@dataclass(slots=True)
class _Progress:
    proof: Proof
    ordered: bool | None = None
    made: bool | None = None
    ordered_ms: int = 0
    ordered_gap_ms: int = 0
    witnessed: bool = False
    """True where the order itself was seen to come; else it stood already when this program began to look."""
    state: str = UNKNOWN
    since_ms: int = 0
    runs: list[dict[str, Any]] = field(default_factory=list)


class Waiting:
    """Every proof of a plant and where it stands."""

    def __init__(self, proofs: Iterable[Proof], memory: Memory) -> None:
        self._memory = memory
        self._all = [_Progress(proof) for proof in proofs]
        self._by_point: dict[str, list[_Progress]] = {}
        for one in self._all:
            for name in (one.proof.command, one.proof.proof):
                self._by_point.setdefault(name, []).append(one)

    def recall(self) -> None:
        """Take back the times of an earlier run of this program."""
        kept = self._memory.rows(KEPT)
        for one in self._all:
            one.runs = list(kept.get(one.proof.id, {}).get("runs", []))[-RUNS_KEPT:]

    def take(self, edges: Iterable[Edge]) -> None:
        """Take what turned on or off; of what was seen in one scan the order counts first."""
        for edge in edges:
            for one in self._by_point.get(edge.point, ()):
                if edge.point == one.proof.command:
                    self._order(one, edge)
                else:
                    self._answer(one, edge)

    def _order(self, one: _Progress, edge: Edge) -> None:
        one.ordered, one.ordered_ms, one.ordered_gap_ms = edge.now, edge.at_ms, edge.gap_ms
        one.witnessed = edge.before is False
        self._settle(one, edge.at_ms)

    def _answer(self, one: _Progress, edge: Edge) -> None:
        was, one.made = one.made, edge.now or (one.proof.partly and edge.word == PART_OPEN)
        if one.made and was is False and one.ordered and one.witnessed and one.state in {AWAITED, TIMED_OUT}:
            self._record(one, edge)
        self._settle(one, edge.at_ms)

    def _record(self, one: _Progress, edge: Edge) -> None:
        seconds = max(0, edge.at_ms - one.ordered_ms) / 1_000
        run = {
            "at_ms": one.ordered_ms,
            "seconds": seconds,
            "least_s": max(0.0, seconds - edge.gap_ms / 1_000),
            "most_s": seconds + one.ordered_gap_ms / 1_000,
            "late": seconds > one.proof.timeout_s,
        }
        one.runs = [*one.runs, run][-RUNS_KEPT:]
        self._memory.keep(KEPT, one.proof.id, {"runs": one.runs})

    def _settle(self, one: _Progress, at_ms: int) -> None:
        state = _state_of(one)
        if state != one.state:
            one.state, one.since_ms = state, at_ms

    def tick(self, now_ms: int) -> list[Event]:
        """Return who timed out since the last look, each once."""
        found: list[Event] = []
        for one in self._all:
            due_ms = one.ordered_ms + round(one.proof.timeout_s * 1_000)
            if one.state == AWAITED and now_ms >= due_ms:
                one.state, one.since_ms = TIMED_OUT, due_ms
                text = f"{one.proof.waits_for} did not come within {one.proof.timeout_s:g} s ({one.proof.timeout_from})"
                found.append(
                    Event(due_ms, one.ordered_gap_ms, 0, HERE, "timeout", one.proof.machine, one.proof.proof, text=text)
                )
        return found

    def rows(self, now_ms: int) -> list[dict[str, Any]]:
        """Return every proof with its state, the time left and the times it took."""
        return [_row(one, now_ms) for one in self._all]


def _state_of(one: _Progress) -> str:
    if one.ordered is None:
        return UNKNOWN
    if not one.ordered:
        return OFF
    if one.made:
        return MADE
    if one.made is None:
        return UNKNOWN
    if one.state in {MADE, LOST}:
        return LOST
    return TIMED_OUT if one.state == TIMED_OUT else AWAITED


def _row(one: _Progress, now_ms: int) -> dict[str, Any]:
    proof, longest = one.proof, max((run["seconds"] for run in one.runs), default=None)
    left_s = proof.timeout_s - (now_ms - one.ordered_ms) / 1_000 if one.state == AWAITED else None
    return {
        "id": proof.id,
        "machine": proof.machine,
        "step": proof.step + 1,
        "step_name": STEPS[proof.step],
        "waits_for": proof.waits_for,
        "command": proof.command,
        "proof": proof.proof,
        "timeout_s": proof.timeout_s,
        "timeout_from": proof.timeout_from,
        "state": one.state,
        "since_ms": one.since_ms,
        "left_s": left_s,
        "order_seen": one.witnessed,
        "runs": one.runs,
        "last_s": one.runs[-1]["seconds"] if one.runs else None,
        "longest_s": longest,
        "late": any(run["late"] for run in one.runs),
    }
