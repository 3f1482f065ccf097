"""Reconciliation by periods: sensors that must agree are compared every quarter of an hour.

In each period every balance whose conditions held whenever they could be judged is used with the mean of its
sensors; the least believable adjustment is what a person should look at, and sensors that
no balance can tell apart are named together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from plantview import units
from plantview.calcs.reconcile import Reconciled, reconcile
from plantview.calcs.uncertainty import COVERAGE_95
from plantview.derive.balances import Balance, balances
from plantview.derive.bindings import REASON_MAX
from plantview.derive.budget import Accuracies
from plantview.derive.sight import NEEDS, Sight
from plantview.errors import CalcError
from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad, good
from plantview.model.signal import Signal

PERIOD_S: Final = 900.0
RUNS_MIN: Final = 5
"""Runs of the derived values in a period below which nothing is said about it (our own choice)."""
HELD_SHARE: Final = 0.8
"""Of the runs of a period: a balance whose sensors were lost for longer is not used (our own choice)."""
STATES: Final = {0: "CLOSES", 1: "DOES NOT CLOSE"}
PLANT: Final = "PLANT"
CHI2, LIMIT, STATE = (f"{PLANT}.{name}" for name in ("balance_chi2", "balance_limit", "balance_state"))
_ADJUSTED: Final = {
    "temperature": ("temperature_difference", "temperature"),
    "flow": ("flow", "flow"),
    "power": ("power", "power"),
}
"""Quantity of a sensor -> quantity of its adjustment, and the word for it."""
_WORDS: Final = {"chwr": "CHWR", "cws": "CWS", "temp": "temperature", "second_flow": "second flow"}
"""What a balance is about, as a label says it; the others say it themselves."""
_NAMED_MAX: Final = 4
_SHARE_OF_WORST: Final = 0.5
"""Of the strongest suspect's statistic: weaker ones are dragged along by it (our own choice)."""


@dataclass(slots=True)
class Period:
    """What was seen since the period began."""

    number: int
    runs: int = 0
    held: dict[str, int] = field(default_factory=dict)
    """Balance -> runs in which its conditions held and all its sensors could be used."""
    refused: dict[str, int] = field(default_factory=dict)
    """Balance -> runs in which its conditions could be judged and did not hold."""
    refusals: dict[str, str] = field(default_factory=dict)
    """Balance -> the last condition that did not hold."""
    why_not: dict[str, str] = field(default_factory=dict)
    sums: dict[str, float] = field(default_factory=dict)
    seen: dict[str, int] = field(default_factory=dict)
    doubts: dict[str, str] = field(default_factory=dict)


def enough_of(runs: float) -> float:
    """Return in how many runs of a period a balance must have held to be used."""
    return max(RUNS_MIN, HELD_SHARE * runs)


class Reconciliation:
    """The balances of one plant, what was seen in this period, and what the last one said."""

    def __init__(self, plant: Plant, accuracies: Accuracies) -> None:
        self.accuracies = accuracies
        self.balances = tuple(each for each in balances(plant) if _all_known(each, plant))
        names = dict.fromkeys(name for balance in self.balances for name in balance.sensors)
        self.points = {name: plant.points[name] for name in names}
        self.signals: Mapping[str, Signal] = {each.name: each for each in self._signals()}
        self._last: dict[str, Reading] = {}
        self._period: Period | None = None

    @classmethod
    def of(cls, plant: Plant) -> Reconciliation:
        """Return the reconciliation of a plant, with the accuracies that its points declare."""
        return cls(plant, Accuracies({point.name: point.accuracy for point in plant.points.values()}))

    def take(self, sight: Sight) -> Mapping[str, Reading]:
        """Note one run of the derived values; return what is known of the last whole period."""
        at_ms = sight.frame.at_ms
        number = int(at_ms // (PERIOD_S * 1_000))
        if self._period is None or number < self._period.number:
            self._period = Period(number)
        elif number > self._period.number:
            self._last = self.finish(self._period)
            self._period = Period(number)
        self._note(self._period, sight)
        early = bad("the first quarter of an hour is not over yet", at_ms)
        return {name: self._last.get(name, early) for name in self.signals}

    def _note(self, period: Period, sight: Sight) -> None:
        period.runs += 1
        for name in self.points:
            reading = sight.reading(name)
            if reading.usable:
                period.sums[name] = period.sums.get(name, 0.0) + sight.value(name, reading)
                period.seen[name] = period.seen.get(name, 0) + 1
                if reading.quality is not Quality.GOOD:
                    period.doubts[name] = sight.doubt(name)
        for balance in self.balances:
            lack, refusal = judged(balance, sight)
            if refusal and not refusal.startswith(NEEDS):
                period.refused[balance.name] = period.refused.get(balance.name, 0) + 1
                period.refusals[balance.name] = refusal
            if lack or refusal:
                period.why_not[balance.name] = lack or refusal
            else:
                period.held[balance.name] = period.held.get(balance.name, 0) + 1

    def finish(self, period: Period) -> dict[str, Reading]:
        """Return what a whole period says of every signal."""
        at_ms = round((period.number + 1) * PERIOD_S * 1_000)
        moved = next(
            (each for each in self.balances if period.refused.get(each.name) and period.held.get(each.name)), None
        )
        if moved is not None:
            unsettled = f"not steady in the last quarter of an hour: {period.refusals[moved.name]}, for a part of it"
            return {name: bad(unsettled, at_ms) for name in self.signals}
        enough = enough_of(period.runs)
        used = [each for each in self.balances if period.held.get(each.name, 0) >= enough]
        if not used:
            few = f"only {period.runs} readings in the quarter of an hour" if period.runs < RUNS_MIN else ""
            why = few or "no balance held all through the last quarter of an hour"
            return {name: bad(period.why_not.get(name, "") or why, at_ms) for name in self.signals}
        means = {name: total / period.seen[name] for name, total in period.sums.items()}
        problem = _Problem(used, self.points, means)
        try:
            found = problem.solved(self.accuracies.together(problem.sensors))
        except CalcError as error:
            return {name: bad(str(error), at_ms) for name in self.signals}
        return {
            **{name: bad(self._unseen(name, period), at_ms) for name in self.signals},
            **problem.left_over(at_ms, period.doubts),
            **problem.adjustments(found, at_ms, period.doubts),
            **_verdict(found, problem.sensors, len(used), period.doubts, at_ms),
        }

    def _unseen(self, name: str, period: Period) -> str:
        """Return why the last period says nothing about a signal."""
        sensor = name.removesuffix("_adjustment")
        own = (each.name for each in self.balances if each.name == name or sensor in each.sensors)
        return next((period.why_not[each] for each in own if each in period.why_not), "no balance held throughout")

    def _signals(self) -> Iterable[Signal]:
        if not self.balances:
            return
        every = tuple(self.points)
        words = ", ".join(each.name.removesuffix("_imbalance") for each in self.balances)
        for name, quantity, label, states, note in (
            (CHI2, "ratio", "misfit of all balances (chi²)", {}, f"weighted sum of squared adjustments; {words}"),
            (
                LIMIT,
                "ratio",
                "limit of the misfit (95 %)",
                {},
                "chi-square, one degree of freedom for each balance used",
            ),
            (STATE, "state", "balances of flow, temperature and heat", STATES, f"misfit against its limit; {words}"),
        ):
            yield _signal(name, quantity, label, every, note, states)
        for balance in self.balances:
            yield _signal(balance.name, balance.quantity, f"left over by the {_WORDS.get(balance.what, balance.what)} balance",
                          balance.sensors, f"mean of a quarter of an hour: {balance.words}")  # fmt: skip
        for name, point in self.points.items():
            quantity, word = _ADJUSTED[point.quantity]
            inputs = tuple(dict.fromkeys(each for one in self._seeing(name) for each in one.sensors))
            yield _signal(f"{name}_adjustment", quantity, f"adjustment of {point.label}", inputs,
                          f"least change of this {word} that closes every balance; {self._separable(name)}")  # fmt: skip

    def _seeing(self, sensor: str) -> list[Balance]:
        return [each for each in self.balances if sensor in each.sensors]

    def _separable(self, sensor: str) -> str:
        """Return in plain words whether an error of a sensor can be told from an error of another."""
        seeing = self._seeing(sensor)
        if len(seeing) > 1:
            return f"seen by {len(seeing)} balances"
        alike = [each for each in seeing[0].sensors if each != sensor and len(self._seeing(each)) == 1]
        if not alike:
            return "seen by one balance only"
        return f"seen by one balance only, which cannot tell it from {_named(alike)}"


class _Problem:
    """One period's balances and the sensors that are in them."""

    def __init__(self, used: Sequence[Balance], points: Mapping[str, Point], means: Mapping[str, float]) -> None:
        self._used = used
        self.sensors = tuple(dict.fromkeys(name for balance in used for name in balance.sensors))
        self._place = {name: at for at, name in enumerate(self.sensors)}
        self._means = [means[name] for name in self.sensors]
        self._u95 = [points[name].accuracy.of(means[name]) or TINY for name in self.sensors]

    def solved(self, together: Mapping[tuple[int, int], float]) -> Reconciled:
        """Return the least adjustment that closes every balance; matched pairs err together."""
        return reconcile(self._means, self._u95, self._all, together)

    def _all(self, values: Sequence[float]) -> list[float]:
        return [balance.left_over(*(values[self._place[name]] for name in balance.sensors)) for balance in self._used]

    def left_over(self, at_ms: int, doubts: Mapping[str, str]) -> dict[str, Reading]:
        """Return what each balance left over."""
        left = self._all(self._means)
        return {
            balance.name: _good(units.canonical(balance.quantity).from_canonical(value), balance.sensors, doubts, at_ms)
            for balance, value in zip(self._used, left, strict=True)
        }

    def adjustments(self, found: Reconciled, at_ms: int, doubts: Mapping[str, str]) -> dict[str, Reading]:
        """Return what the balances ask of each sensor."""
        moved = (new - old for new, old in zip(found.values, self._means, strict=True))
        return {
            f"{name}_adjustment": _good(change, self._sharing(name), doubts, at_ms)
            for name, change in zip(self.sensors, moved, strict=True)
        }

    def _sharing(self, sensor: str) -> Iterable[str]:
        return dict.fromkeys(each for balance in self._used if sensor in balance.sensors for each in balance.sensors)


TINY: Final = 1e-6
"""For a reading of 0 whose accuracy is a share of it: a meter that stands has nothing to adjust."""


def _verdict(
    found: Reconciled, sensors: Sequence[str], count: int, doubts: Mapping[str, str], at_ms: int
) -> dict[str, Reading]:
    """Return chi², its limit and the state; where it does not close, who is suspected and who looks alike."""
    numbers = {CHI2: _good(found.chi2, sensors, doubts, at_ms), LIMIT: good(found.limit, at_ms)}
    if found.closes:
        return {**numbers, STATE: _good(0.0, sensors, doubts, at_ms)}
    return {**numbers, STATE: Reading(1.0, Quality.UNCERTAIN, accusation(found, sensors, count)[:REASON_MAX], at_ms)}


def accusation(found: Reconciled, sensors: Sequence[str], count: int) -> str:
    """Return in words who is suspected of a misfit, and who looks alike."""
    misfit = f"misfit {found.chi2:.1f}, limit {found.limit:.1f} of {count} balance{'s' if count > 1 else ''}"
    worst = max(range(len(sensors)), key=lambda place: found.statistics[place])
    alike = next((group for group in found.groups if worst in group), ())
    if alike:
        return f"{misfit}; one equation cannot name the culprit, these look alike: {_named([sensors[each] for each in alike])}"
    suspects = sorted(range(len(sensors)), key=lambda place: -found.statistics[place])
    strong = max(COVERAGE_95, _SHARE_OF_WORST * found.statistics[worst])
    named = [sensors[each] for each in suspects if found.statistics[each] > strong]
    return f"{misfit}; most suspect: {_named(named or [sensors[worst]])}"


def _named(names: Sequence[str]) -> str:
    more = len(names) - _NAMED_MAX
    return ", ".join(names[:_NAMED_MAX]) + (f" and {more} more" if more > 0 else "")


def _good(value: float, sensors: Iterable[str], doubts: Mapping[str, str], at_ms: int) -> Reading:
    if not math.isfinite(value):
        return bad("the inputs give no finite number", at_ms)
    reason = "; ".join(doubts[each] for each in sensors if each in doubts)[:REASON_MAX]
    return Reading(value, Quality.UNCERTAIN if reason else Quality.GOOD, reason, at_ms)


def judged(balance: Balance, sight: Sight) -> tuple[str, str]:
    """Return which sensor of a balance cannot be used now and, where all can, which condition does not hold."""
    lack = next((sight.lack(each) for each in balance.sensors if not sight.reading(each).usable), "")
    return (lack, "") if lack else ("", _refusal(balance, sight))


def _refusal(balance: Balance, sight: Sight) -> str:
    verdicts = (gate.judge(sight) for gate in balance.gates)
    return next((verdict.refusal or verdict.doubt for verdict in verdicts if verdict.refusal or verdict.doubt), "")


def _all_known(balance: Balance, plant: Plant) -> bool:
    """Return whether something is known about the accuracy of each sensor of a balance."""
    return all(
        plant.points[name].accuracy.known and plant.points[name].quantity in _ADJUSTED for name in balance.sensors
    )


def _signal(
    name: str, quantity: str, label: str, inputs: tuple[str, ...], note: str, states: Mapping[int, str] | None = None
) -> Signal:
    equipment, _, measurement = name.rpartition(".")
    unit = units.canonical(quantity)
    return Signal(name, equipment, measurement, quantity, unit, label, states or {}, PERIOD_S, "", "", inputs, note)
