"""Alarm rules, compiled from the ``[[alarms]]`` rows of plant.toml (grammar: ``rows``)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from plantview.alarms import expression, watching
from plantview.alarms.names import near
from plantview.alarms.rows import TYPES, Row, expand
from plantview.alarms.watch import Limit, Watch
from plantview.errors import Problem
from plantview.model.plant import Plant
from plantview.model.signal import Signal, signal_of

RULES_MAX: Final = 5_000
WARNING: Final = "warning: "
"""Begins the remedy of a problem that does not keep the plant from starting."""

SHELVE_MAX_S: Final = 8 * 3_600.0
STALE_PERIODS: Final = 3
"""A reading is trusted for so many periods; silence adds them to the time until an alarm is seen."""

HIGHER: Final = {"HI": "HIHI", "LO": "LOLO", "COMM": "LOSS"}
"""What speaks for an alarm while it stands: the farther limit of its point, the loss of several devices at once."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One alarm as configured, ready for one engine."""

    id: str
    type: str
    watch: Watch
    equipment: str
    point: str
    """Name of the watched signal; empty for COMM."""
    annunciated: bool
    """False for an event: it is journalled and asks nothing of anybody."""
    priority: int
    """1 urgent, 2 high, 3 medium, 4 low."""
    class_name: str
    on_delay_s: float
    off_delay_s: float
    latching: bool
    re_alarm_s: float
    """0: never."""
    shelve_max_s: float
    """0: it cannot be shelved, nor taken out of service."""
    first_out: str
    """Name of its first-out group; may be empty."""
    gate: expression.Clause | None
    when: str
    suppressed_otherwise: bool
    """When the gate is false: suppressed by design, or else simply normal."""
    cause: str
    consequence: str
    action: str
    time_to_respond_s: float
    devices: frozenset[str]
    """Devices behind what it watches; while one is silent the alarm is frozen."""
    period_s: float
    system: str
    """Unit system of its texts: ``si`` or ``ip``."""
    higher: str = ""
    """The alarm that speaks for this one while it stands: on the farther limit of its point, or on a common loss."""
    follows: tuple[str, ...] = ()
    """Alarms whose consequence it is; one of them that stands speaks for it before it has called."""

    @property
    def speakers(self) -> tuple[str, ...]:
        """Return every alarm that may speak for this one."""
        return (self.higher, *self.follows) if self.higher else self.follows

    @property
    def detection_s(self) -> float:
        """Return the longest time from the event to its annunciation."""
        return self.on_delay_s + self.period_s * (1 + STALE_PERIODS)


def is_warning(problem: Problem) -> bool:
    """Return whether a plant may start with this problem."""
    return problem.remedy.startswith(WARNING)


def compile_rules(plant: Plant, signals: Mapping[str, Signal]) -> tuple[tuple[Rule, ...], list[Problem]]:
    """Return the rules of a plant and every problem of its alarm rows, warnings among them.

    ``signals`` are the derived values; the points of the plant are known without them.
    A row with a problem gives no rule. Texts use the plant's own unit system.
    """
    signals = {name: signal_of(point) for name, point in plant.points.items()} | dict(signals)
    problems: list[Problem] = []
    rules: dict[str, Rule] = {}
    rows: dict[str, Row] = {}
    for row in expand(plant, problems):
        rule = _rule(row, plant, signals)
        problems.extend(row.problems)
        if rule is None:
            continue
        if rule.id in rules:
            problems.append(row.problem("id", f"a second alarm '{rule.id}'", "give each alarm an id of its own"))
        elif len(rules) >= RULES_MAX:
            problems.append(
                row.problem("id", f"more than {RULES_MAX} alarms", "remove some; nobody can answer so many")
            )
            break
        else:
            rules[rule.id], rows[rule.id] = rule, row
            problems.extend(_warnings(row, rule))
    problems.extend(_unwatched(plant, rules.values()))
    named = _with_higher(rules)
    problems.extend(_crossed(named, rows))
    problems.extend(_lost_followers(named, rows))
    return named, problems


def _rule(row: Row, plant: Plant, signals: Mapping[str, Signal]) -> Rule | None:
    row.check_keys()
    watch = watching.build(row, plant, signals)
    gate = _gate(row, plant, signals)
    annunciated = all(row.given(key) for key in _MAKE_AN_ALARM)
    class_name = row.choice("class", CLASSES, required=annunciated)
    priority = row.choice("priority", PRIORITIES, required=annunciated)
    delays = watching.delays(watch)
    rule_id = row.text("id", required=True)
    if gate is not None and class_name in PROTECTED:
        row.wrong("when", f"an alarm of class {class_name} is never suppressed", "remove 'when'")
    fields: dict[str, Any] = {
        "on_delay_s": row.number("on_delay_s", delays[0]),
        "off_delay_s": row.number("off_delay_s", delays[1]),
        "latching": row.flag("latching"),
        "re_alarm_s": row.number("re_alarm_s", 0.0),
        "shelve_max_s": 0.0 if class_name in PROTECTED else row.number("shelve_max_s", SHELVE_MAX_S),
        "first_out": row.text("first_out"),
        "follows": row.words("follows") if row.given("follows") else (),
        "when": row.text("when"),
        "suppressed_otherwise": row.choice("otherwise", ("suppressed", "normal")) != "normal",
        "cause": row.text("cause"),
        "consequence": row.text("consequence"),
        "action": row.text("action"),
        "time_to_respond_s": row.number("time_to_respond_s", 0.0),
    }
    if row.problems or watch is None:
        return None
    return Rule(
        id=rule_id,
        type=row.type,
        watch=watch,
        equipment=watching.equipment(watch),
        point=row.text("point"),
        annunciated=annunciated,
        priority=int(priority or 4),
        class_name=str(class_name or ""),
        gate=gate,
        devices=watching.devices(watch, signals),
        period_s=watching.period_s(watch, plant),
        system=plant.units,
        **fields,
    )


def _gate(row: Row, plant: Plant, signals: Mapping[str, Signal]) -> expression.Clause | None:
    text = row.text("when")
    if not text:
        return None
    try:
        return expression.parse(text, plant, signals)
    except expression.ExpressionError as error:
        row.wrong("when", str(error), 'write it like "CH-1 runs for 15 min and CH-1.load_pct above 30 %"')
        return None


def _warnings(row: Row, rule: Rule) -> Iterable[Problem]:
    if not rule.annunciated and any(row.given(key) for key in (*_MAKE_AN_ALARM, "priority")):
        missing = [key for key in _MAKE_AN_ALARM if not row.given(key)]
        yield row.problem(
            missing[0],
            f"no {', no '.join(missing)}: it is an event, journalled and not annunciated",
            f"{WARNING}add what is missing if somebody has to act on it",
        )
    elif rule.annunciated and rule.detection_s > rule.time_to_respond_s / 2:
        yield row.problem(
            "time_to_respond_s",
            f"it takes up to {rule.detection_s:g} s to see, more than half of the {rule.time_to_respond_s:g} s to respond",
            f"{WARNING}shorten on_delay_s, or poll {rule.point or rule.equipment} more often",
        )
    if "deadband" in TYPES[rule.type].required_or_optional and not row.given("deadband"):
        yield row.problem("deadband", "no deadband: noise at the limit repeats the alarm", f"{WARNING}add a deadband")


def _unwatched(plant: Plant, rules: Iterable[Rule]) -> Iterable[Problem]:
    watched = {rule.equipment for rule in rules if rule.type == "COMM"}
    for device in plant.devices:
        if device not in watched:
            yield Problem(
                "plant.toml",
                0,
                f"devices.{device}",
                "no COMM alarm watches this device",
                f'{WARNING}add a row with type = "COMM" and device = "{device}", or its silence raises no alarm',
            )


def _with_higher(rules: Mapping[str, Rule]) -> tuple[Rule, ...]:
    """Return the rules with those first that speak for others, each lower one naming its higher one."""
    farther = {(rule.point, rule.type): rule.id for rule in rules.values() if rule.type in HIGHER.values()}
    named = [replace(rule, higher=farther.get((rule.point, HIGHER.get(rule.type, "")), "")) for rule in rules.values()]
    return tuple(sorted(named, key=lambda rule: (rule.type not in HIGHER.values(), bool(rule.follows))))


def _lost_followers(rules: Iterable[Rule], rows: Mapping[str, Row]) -> Iterable[Problem]:
    by_id = {rule.id: rule for rule in rules}
    for rule in by_id.values():
        for name in rule.follows:
            cause = by_id.get(name)
            others = [one.id for one in by_id.values() if one.annunciated and one.id != rule.id]
            if cause is None or not cause.annunciated:
                wrong = f"no alarm '{name}' that calls{near(name, others)}"
                yield rows[rule.id].problem("follows", wrong, "name alarms of this plant")
            elif cause.follows:
                yield rows[rule.id].problem(
                    "follows", f"{name} follows another alarm itself", "name the alarm at the beginning"
                )


def _crossed(rules: Iterable[Rule], rows: Mapping[str, Row]) -> Iterable[Problem]:
    by_id = {rule.id: rule for rule in rules}
    for rule in by_id.values():
        near_by, far = rule.watch, by_id[rule.higher].watch if rule.higher else None
        if isinstance(near_by, Limit) and isinstance(far, Limit):
            apart = far.limit - near_by.limit if far.upper else near_by.limit - far.limit
            if apart <= 0:
                wrong = f"{rule.type} {rule.id} is reached later than {by_id[rule.higher].type} {rule.higher}"
                yield rows[rule.id].problem("limit", wrong, "set HI below HIHI, and LO above LOLO")


_MAKE_AN_ALARM: Final = ("consequence", "action", "time_to_respond_s")

CLASSES: Final = ("safety", "trip", "protection", "comfort", "energy", "instrument", "system")
"""Safety-related, a machine's own trip, equipment protection, production or comfort, energy, instrument, system."""

PROTECTED: Final = frozenset({"safety"})
"""Classes that nobody shelves and no condition suppresses: leak detectors, emergency stops."""

PRIORITIES: Final = (1, 2, 3, 4)
