"""Judges the identity of every sensor over a window: which laws are broken, and which correction closes them.

A finding needs a correction that closes every law it touches and breaks none. Broken laws that no correction
closes are no matter of identity: a bias, a worn machine or a leaking valve is left to reconciliation and alarms.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from plantview.checks.correction import Correction, candidates, together
from plantview.checks.finding import Finding, Proposal, proposal_of
from plantview.checks.law import Kept, Law
from plantview.checks.laws_plant import laws
from plantview.checks.window import Window
from plantview.model.plant import Plant

PROPOSALS_MAX: Final = 4
ROUNDS_MAX: Final = 4
"""Mistakes that hide behind each other are found one after the other, with the first corrected in thought only."""
PARTIAL_MAX: Final = 14
"""Of corrections that close only some of the laws, so many are tried in pairs."""
KINDS: Final = ("swapped", "unit", "gauge_absolute", "refrigerant", "sign", "wrong_pipe", "factor", "several")
"""Where two explanations close the laws equally well, the earlier one is the more common mistake (our own choice)."""
ALONE: Final = 0.2
"""Misfit to which a single balance must close: a bias of any sensor can be made good by some other change."""
WORSE: Final = 3.0
"""An explanation that fits so many times worse than the best is not named."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one look at a window said."""

    findings: tuple[Finding, ...]
    kept: Mapping[str, Kept]
    """Law -> how it was kept."""


class Judge:
    """The laws of one plant."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self.laws: Mapping[str, Law] = {law.name: law for law in laws(plant)}
        self.points = tuple(dict.fromkeys(name for name in plant.points if self._asked(name)))
        """Points whose readings a window must have: sensors of a law, states and valves that say when to ask."""

    def _asked(self, name: str) -> bool:
        point = self._plant.points[name]
        sensors = {sensor for law in self.laws.values() for sensor in law.sensors}
        return name in sensors or bool(point.states) or point.quantity in {"percent", "pressure_absolute"}

    def look(self, window: Window) -> Verdict:
        """Return the findings of a window, with how every law was kept."""
        kept = {name: law.judge(window) for name, law in self.laws.items()}
        found: list[Finding] = []
        left, tried = kept, window
        for _ in range(ROUNDS_MAX):
            clusters = _clusters([each for each in left.values() if each.fails])
            best = [each for cluster in clusters if (each := self._explained(tried, cluster, left)) is not None]
            if not best:
                break
            for proposals, broken, correction in best:
                found.append(_found(proposals, broken, window))
                tried = correction.apply(tried)
            left = {name: law.judge(tried) for name, law in self.laws.items()}
        return Verdict(tuple(found), kept)

    def _explained(
        self, window: Window, cluster: Sequence[Kept], kept: Mapping[str, Kept]
    ) -> tuple[list[Proposal], set[str], Correction] | None:
        suspects = list(dict.fromkeys(sensor for each in cluster for sensor in each.law.sensors))
        tries = [_Try(self, window, each, kept) for each in candidates(self._plant, window, suspects)]
        broken = {each.law.name for each in cluster}
        helpful = sorted((each for each in tries if each.helps), key=lambda each: each.rank)
        whole = [each for each in helpful if broken <= each.closed]
        # what closes all that it touches still counts beside another mistake, or beside a matter that is none of identity
        whole = whole or [each for each in helpful if each.complete and not each.correction.removes]
        whole = whole or [each for each in self._doubles(window, tries, kept) if broken <= each.closed]
        whole = whole or [each for each in helpful if each.complete]
        ordered = sorted(whole, key=lambda each: each.rank)
        return (_best(ordered), ordered[0].closed, ordered[0].correction) if ordered else None

    def _doubles(self, window: Window, tries: Sequence[_Try], kept: Mapping[str, Kept]) -> list[_Try]:
        """Return pairs of corrections that help together: one of two mistakes put right alone may break a balance."""
        partly = sorted((each for each in tries if each.partly), key=lambda each: each.rank)
        pairs = itertools.combinations([each.correction for each in partly[:PARTIAL_MAX]], 2)
        apart = [together(one, other) for one, other in pairs if not set(one.points) & set(other.points)]
        tried = [_Try(self, window, each, kept) for each in apart]
        return [each for each in tried if each.helps]

    def touched(self, points: Iterable[str], kept: Mapping[str, Kept]) -> dict[str, Kept]:
        """Return the judged laws in which one of some points takes part."""
        wanted = set(points)
        return {name: each for name, each in kept.items() if each.judged and wanted & set(each.law.sensors)}


class _Try:
    """One correction tried on a window."""

    def __init__(self, judge: Judge, window: Window, correction: Correction, kept: Mapping[str, Kept]) -> None:
        self.correction = correction
        self.before = judge.touched(correction.points, kept)
        corrected = correction.apply(window)
        self.after = {name: each.law.judge(corrected) for name, each in self.before.items()}
        failed = {name for name, each in self.before.items() if each.fails}
        gone = {name for name, each in self.after.items() if not each.judged}
        self.closed = {name for name in failed if self.after[name].closes or (correction.removes and name in gone)}
        harmed = {name for name, each in self.after.items() if each.fails and not self.before[name].fails}
        lost = gone if not correction.removes else set()
        doubted = all(any(point in self.before[name].law.sensors for name in failed) for point in correction.points)
        tells = any(self.before[name].tells for name in self.closed)
        self.partly = tells and not lost and doubted and not correction.removes
        self.helps = tells and not harmed and not lost and doubted and self._proven()
        self.complete = self.helps and self.closed == failed
        judged = [each.misfit for each in self.after.values() if each.judged]
        self.misfit = sum(judged) / len(judged) if judged else 0.5

    def _proven(self) -> bool:
        """Return whether it is more than luck: one balance alone must close nearly to nothing."""
        if len(self.closed) > 1 or self.correction.removes:
            return True
        only = self.after[next(iter(self.closed))]
        return only.law.near == 1.0 or only.misfit <= ALONE

    @property
    def rank(self) -> tuple[int, int, float, int]:
        """Return the order of belief: what closes most with the fewest changes and the least misfit."""
        order = KINDS.index(self.correction.kind)
        return -len(self.closed), self.correction.changes, round(self.misfit, 1), order


def _clusters(failing: Sequence[Kept]) -> list[list[Kept]]:
    """Return broken laws in groups that share neither sensor nor machine."""
    groups: list[tuple[set[str], list[Kept]]] = []
    for each in failing:
        sensors, members = {part for name in each.law.sensors for part in (name, name.partition(".")[0])}, [each]
        apart = []
        for group in groups:
            if group[0] & sensors:
                sensors |= group[0]
                members = [*group[1], *members]
            else:
                apart.append(group)
        groups = [*apart, (sensors, members)]
    return [members for _, members in groups]


def _best(tries: Sequence[_Try]) -> list[Proposal]:
    """Return the explanations worth naming: each once, none that is far worse than the first."""
    found: list[Proposal] = []
    first = tries[0] if tries else None
    for each in tries:
        if first is None or each.closed != first.closed or each.correction.changes > first.correction.changes:
            continue
        if each.misfit <= WORSE * max(first.misfit, 0.1) and len(found) < PROPOSALS_MAX:
            found.append(proposal_of(each.correction, each.before, each.after, each.misfit))
    return found


def _found(proposals: Sequence[Proposal], broken: Iterable[str], window: Window) -> Finding:
    points = tuple(dict.fromkeys(point for each in proposals for point in each.points))
    first = proposals[0]
    name = f"{first.kind}:{'+'.join(sorted(first.points))}"
    return Finding(
        name, first.words, points, tuple(sorted(broken)), int(window.at_ms[0]), int(window.at_ms[-1]), tuple(proposals)
    )
