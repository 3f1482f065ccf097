"""A row says what could be derived; a binding ties it to signals that exist, and gives its reading."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, MutableMapping
from dataclasses import dataclass, field
from typing import Final

from plantview import units
from plantview.derive.budget import Accuracies
from plantview.derive.gates import Gate, Runs, Verdict
from plantview.derive.sight import Sight
from plantview.errors import CalcError
from plantview.model.point import Point
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad
from plantview.model.signal import Signal

PERIOD_S: Final = 15.0
"""How often derived values are worked out, in plant time; one made of slower points is as slow as they are."""
REASON_MAX: Final = 300
"""Characters of a reason; a plant has no bound on how many inputs are doubtful at once."""


@dataclass(frozen=True, slots=True)
class Row:
    """One derived value of one piece of equipment, before it is known whether its inputs exist."""

    name: str
    quantity: str
    label: str
    inputs: tuple[str, ...]
    """``power`` of the same equipment, or a full name such as ``PLANT.wet_bulb``."""
    calc: Callable[..., float]
    """Canonical units in the order of ``inputs``, canonical unit out."""
    gates: tuple[Gate, ...] = ()
    note: str = ""
    unit: str = ""
    """Unit of its readings; the canonical one where empty."""
    when_off: float | None = None
    """The true value where a gate proves the machine off (a stopped chiller cools 0 kW)."""
    off_terms: Mapping[str, Runs] = field(default_factory=dict)
    """Inputs (full names) that count as 0 where they cannot be read but their machine is proven off."""
    why_not: str = ""
    """Why it cannot be had in this plant, where inputs alone do not say it."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What is settled about a derived value before any arithmetic: whether there is one, and what it rests on."""

    refusal: str = ""
    """Why there is no value; empty where there is one."""
    off: bool = False
    """The value is that of a machine proven off."""
    zeroed: tuple[str, ...] = ()
    """Inputs that count as 0."""
    rests_on: tuple[str, ...] = ()
    """Usable readings behind it; it is as old as the oldest."""
    reason: str = ""
    """Why the value is doubtful."""

    @property
    def quality(self) -> Quality:
        """Return the quality of the value."""
        return Quality.BAD if self.refusal else Quality.UNCERTAIN if self.reason else Quality.GOOD


@dataclass(frozen=True, slots=True)
class Binding:
    """A derived value with its signals found."""

    signal: Signal
    row: Row

    def reading(self, sight: Sight, accuracies: Accuracies) -> Reading:
        """Return the value, never of better quality than what it was made from, or why there is none now."""
        outcome = self.outcome(sight)
        if outcome.refusal:
            return bad(outcome.refusal, sight.frame.at_ms)
        if outcome.off:
            sight.budgets[self.signal.name] = {}  # nothing moves a 0 that is proven
            return self._result(self.row.when_off or 0.0, outcome, sight, None)
        values = [
            0.0 if name in outcome.zeroed else sight.value(name, sight.reading(name)) for name in self.signal.inputs
        ]
        answer = answered(self.row.calc, values)
        if isinstance(answer, str):
            return bad(answer, sight.frame.at_ms)
        budget = accuracies.budget(self.row.calc, self.signal.inputs, values, sight.budgets)
        if budget is not None:
            sight.budgets[self.signal.name] = budget
        u95 = accuracies.u95(budget) / self.signal.unit.factor if budget else math.nan
        return self._result(answer, outcome, sight, u95 if math.isfinite(u95) else None)

    def outcome(self, sight: Sight) -> Outcome:
        """Return whether there is a value, from gates, qualities and reasons alone."""
        verdicts: list[Verdict] = []
        for gate in self.row.gates:
            verdict = gate.judge(sight)
            if verdict.off and self.row.when_off is not None:
                return self._resting(verdict.relied_on, (), sight, off=True)
            if verdict.refusal:
                return Outcome(verdict.refusal)
            verdicts.append(verdict)
        relied_on = tuple(name for verdict in verdicts for name in verdict.relied_on)
        doubts = [verdict.doubt for verdict in verdicts if verdict.doubt]
        zeroed: list[str] = []
        for name in self.signal.inputs:
            if sight.reading(name).usable:
                continue
            machine = self.row.off_terms.get(name)
            if machine is None or not machine.judge(sight).off:
                return Outcome(sight.lack(name))
            zeroed.append(name)
            doubts.append(f"{name} cannot be read, counted as 0 because {machine.machine} is off")
        return self._resting((*self.signal.inputs, *relied_on), doubts, sight, zeroed=tuple(zeroed))

    @staticmethod
    def _resting(
        used: tuple[str, ...], doubts: Iterable[str], sight: Sight, *, off: bool = False, zeroed: tuple[str, ...] = ()
    ) -> Outcome:
        read = tuple(name for name in used if sight.reading(name).usable)
        reasons = [*doubts, *(sight.doubt(name) for name in read)]
        reason = "; ".join(dict.fromkeys(filter(None, reasons)))[:REASON_MAX]
        return Outcome(off=off, zeroed=zeroed, rests_on=read, reason=reason)

    def _result(self, answer: float, outcome: Outcome, sight: Sight, u95: float | None) -> Reading:
        at_ms = min((sight.reading(name).at_ms for name in outcome.rests_on), default=sight.frame.at_ms)
        return Reading(self.signal.unit.from_canonical(answer), outcome.quality, outcome.reason, at_ms, u95)


def answered(calc: Callable[..., float], values: Iterable[float]) -> float | str:
    """Return what a formula gives for one frame, or why it gives nothing."""
    try:
        answer = calc(*values)
    except CalcError as error:
        return str(error)
    return answer if math.isfinite(answer) else "the inputs give no finite number"


def bind(
    rows: Iterable[Row],
    equipment: str,
    known: Mapping[str, Point],
    bound: MutableMapping[str, Binding],
    unbound: MutableMapping[str, str],
) -> None:
    """Bind what can be bound; of several rows with one name the first whose inputs exist wins.

    ``known`` are the points; derived values bound before may be inputs too.
    """
    for row in rows:
        name = f"{equipment}.{row.name}"
        if name in bound:
            continue
        inputs = tuple(each if "." in each else f"{equipment}.{each}" for each in row.inputs)
        missing = next((each for each in inputs if each not in known and each not in bound), None)
        if row.why_not or missing is not None:
            unbound.setdefault(name, row.why_not or unbound.get(missing or "", f"{missing} is not measured"))
            continue
        unbound.pop(name, None)
        unit = units.unit(row.unit, row.quantity) if row.unit else units.canonical(row.quantity)
        periods = [known[each].period_s if each in known else bound[each].signal.period_s for each in inputs]
        signal = Signal(
            name,
            equipment,
            row.name,
            row.quantity,
            unit,
            row.label,
            {},
            max([PERIOD_S, *periods]),
            "",
            "",
            inputs,
            row.note,
        )
        bound[name] = Binding(signal, row)
