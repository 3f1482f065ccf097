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
class Binding:
    """A derived value with its signals found."""

    signal: Signal
    row: Row

    def reading(self, sight: Sight, accuracies: Accuracies) -> Reading:
        """Return the value, never of better quality than what it was made from, or why there is none now."""
        verdicts: list[Verdict] = []
        for gate in self.row.gates:
            verdict = gate.judge(sight)
            if verdict.off and self.row.when_off is not None:
                sight.budgets[self.signal.name] = {}  # nothing moves a 0 that is proven
                return self._result(self.row.when_off, verdict.relied_on, (), sight, None)
            if verdict.refusal:
                return bad(verdict.refusal, sight.frame.at_ms)
            verdicts.append(verdict)
        relied_on = tuple(name for verdict in verdicts for name in verdict.relied_on)
        doubts = [verdict.doubt for verdict in verdicts if verdict.doubt]
        return self._calculated(relied_on, doubts, sight, accuracies)

    def _calculated(
        self, relied_on: tuple[str, ...], doubts: list[str], sight: Sight, accuracies: Accuracies
    ) -> Reading:
        values: list[float] = []
        for name in self.signal.inputs:
            reading = sight.reading(name)
            if reading.usable:
                values.append(sight.value(name, reading))
            elif (machine := self.row.off_terms.get(name)) is not None and machine.judge(sight).off:
                values.append(0.0)
                doubts.append(f"{name} cannot be read, counted as 0 because {machine.machine} is off")
            else:
                return bad(sight.lack(name), sight.frame.at_ms)
        try:
            answer = self.row.calc(*values)
        except CalcError as error:
            return bad(str(error), sight.frame.at_ms)
        if not math.isfinite(answer):
            return bad("the inputs give no finite number", sight.frame.at_ms)
        budget = accuracies.budget(self.row.calc, self.signal.inputs, values, sight.budgets)
        if budget is not None:
            sight.budgets[self.signal.name] = budget
        u95 = accuracies.u95(budget) / self.signal.unit.factor if budget else math.nan
        return self._result(
            answer, (*self.signal.inputs, *relied_on), doubts, sight, u95 if math.isfinite(u95) else None
        )

    def _result(
        self, answer: float, used: tuple[str, ...], doubts: Iterable[str], sight: Sight, u95: float | None
    ) -> Reading:
        """Return the value as old as the oldest reading it rests on, doubtful if any of them is."""
        read = [name for name in used if sight.reading(name).usable]
        reasons = [*doubts, *(sight.doubt(name) for name in read)]
        reason = "; ".join(dict.fromkeys(filter(None, reasons)))[:REASON_MAX]
        quality = Quality.UNCERTAIN if reason else Quality.GOOD
        at_ms = min((sight.reading(name).at_ms for name in read), default=sight.frame.at_ms)
        return Reading(self.signal.unit.from_canonical(answer), quality, reason, at_ms, u95)


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
