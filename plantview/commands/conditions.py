"""What must be known to be true before a command: the plant's own rows, and a minimum set that is built in.

Missing data is not permission. These conditions are added to the machines' own safeties and replace none of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from plantview.alarms.expression import ExpressionError, parse, signals_of
from plantview.alarms.gate import Gate
from plantview.model.permit import Permit
from plantview.model.plant import Loop, Plant
from plantview.model.point import Point
from plantview.model.reading import Frame
from plantview.model.signal import Signal

OFF: Final = 0.0
ON: Final = 1.0


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition with the readings that decide it."""

    text: str
    holds: bool | None
    """None: not known."""
    readings: tuple[tuple[str, float | str | None, str], ...]
    """Signal, value (a state by its word), and why it is not good."""

    def row(self) -> dict[str, Any]:
        """Return it for a page."""
        return {
            "text": self.text, "holds": self.holds,
            "readings": [{"signal": name, "value": value, "reason": why} for name, value, why in self.readings],
        }  # fmt: skip


def built_in(plant: Plant, point: Point, value: float, now: float | None) -> list[str]:
    """Return the minimum set for a command, in the words of alarm rows; ``now`` is the present value, None for unknown.

    Common practice, no source: flow proven before a chiller is enabled, no fault standing, its restart time over;
    a pump or a valve is not closed on a machine that runs and has no other, a pump not slowed below its least flow;
    a tower fan is not stopped while the condenser water is as warm as the chillers are made for.
    """
    item = plant.equipment.get(point.equipment)
    what = (item.kind if item is not None else "", point.measurement)
    rows: list[str] = []
    if what == ("chiller", "enable") and value == ON:
        rows += _before_start(plant, point.equipment)
    if what in _CARRIERS and (value == OFF or _closing(point, value, now)):
        rows += _before_stop(plant, point.equipment)
    if what == ("pump", "speed_command") and now is not None and 0 < value < now:
        rows += _before_slowing(plant, point.equipment, now / value)
    if what == ("fan", "command") and value == OFF:
        rows += _before_warming(plant, point.equipment)
    return rows


def _closing(point: Point, value: float, now: float | None) -> bool:
    """Return whether a modulating valve moves towards shut; one that nobody knows the position of may do so."""
    return point.quantity == "percent" and (now is None or value < now)


_CARRIERS: Final = frozenset({("pump", "command"), ("valve", "command"), ("tower_cell", "isolation_valve_command")})
_LEAST_FLOWS: Final = (("chw_flow", "min_chw_flow"), ("cw_flow", "min_cw_flow"))
"""Measured flow of a chiller, and the design datum that it must not fall below."""
_PROOFS: Final = ("chw_flow_proof", "cw_flow_proof")
_QUIET: Final = ("fault",)
RESTART_LEFT: Final = "restart_time_left"


def _before_start(plant: Plant, chiller: str) -> list[str]:
    """Return proofs that show 1, faults and leaks that show 0, and no restart time left; at least one proof is asked for."""
    points = [plant.point(chiller, name) for name in _PROOFS]
    proofs = [_shows(point, 1) for point in points if point is not None] or [f"{chiller}.chw_flow_proof is FLOW"]
    quiet = [plant.point(chiller, name) for name in _QUIET]
    leaks = [point for point in plant.points.values() if point.measurement == "refrigerant_leak" and point.states]
    calm = [_shows(point, 0) for point in (*quiet, *leaks) if point is not None]
    waits = plant.point(chiller, RESTART_LEFT)
    return [*proofs, *calm, *([f"{waits.name} below 1 s"] if waits is not None else [])]


def _shows(point: Point, number: int) -> str:
    return f"{point.name} is '{point.states.get(number, number)}'"


def _before_stop(plant: Plant, carrier: str) -> list[str]:
    """Return that each chiller of the same loop stands still, or that another carrier of the same stage runs."""
    rows = []
    for loop in plant.loops.values():
        stages = [stage for stage in loop.stages if any(port.equipment == carrier for port in stage.ports())]
        others = [port.equipment for stage in stages for port in stage.ports() if port.equipment != carrier]
        running = [f"{other} runs" for other in dict.fromkeys(others) if plant.point(other, "status") is not None]
        if stages:
            rows += [" or ".join([f"not {chiller} runs", *running]) for chiller in _chillers(plant, loop)]
    return rows


def _before_slowing(plant: Plant, pump: str, ratio: float) -> list[str]:
    """Return that each chiller of the pump's loop stands, or has ``ratio`` times its least flow: flow falls as the speed."""
    rows = []
    for loop in _loops_with(plant, pump):
        measured, least = _LEAST_FLOWS[loop.water != "chilled"]
        for chiller in _chillers(plant, loop):
            limit = plant.equipment[chiller].design.get(least)
            if limit is not None:
                rows.append(f"not {chiller} runs or {chiller}.{measured} above {limit * ratio:.6g} L/s")
    return rows


def _before_warming(plant: Plant, fan: str) -> list[str]:
    """Return that no chiller runs, or that the water which they get is cooler than what they are made for."""
    cell = plant.equipment[fan].part_of
    rows = []
    for loop in _loops_with(plant, cell):
        for chiller in _chillers(plant, loop):
            limit = plant.equipment[chiller].design.get("cws_temp")
            cool = "" if limit is None else f" or {chiller}.cws_temp below {limit:.6g} degC"
            rows.append(f"not {chiller} runs{cool}")
    return rows


def _loops_with(plant: Plant, equipment: str) -> list[Loop]:
    return [
        loop
        for loop in plant.loops.values()
        if equipment in {port.equipment for stage in loop.stages for port in stage.ports()}
    ]


def _chillers(plant: Plant, loop: Loop) -> list[str]:
    ports = [port.equipment for stage in loop.stages_of("chiller") for port in stage.ports()]
    return [name for name in dict.fromkeys(ports) if plant.equipment[name].kind == "chiller"]


def judge(
    texts: Iterable[str], plant: Plant, signals: Mapping[str, Signal], frame: Frame, now_s: float
) -> list[Condition]:
    """Return each condition as it stands; one that cannot be read does not hold."""
    found = []
    for text in texts:
        try:
            tree = parse(text, plant, signals)
        except ExpressionError as error:
            found.append(Condition(f"{text} ({error})", None, ()))
            continue
        readings = {signal.name: frame.reading(signal.name) for signal in signals_of(tree)}
        found.append(
            Condition(
                text,
                Gate(tree).evaluate(frame, now_s),
                tuple((name, _shown(signals[name], item.value), item.reason) for name, item in readings.items()),
            )
        )
    return found


def _shown(signal: Signal, value: float | None) -> float | str | None:
    return value if value is None else signal.states.get(round(value), value)


def needs(plant: Plant, permit: Permit, point: Point, value: float, now: float | None) -> list[str]:
    """Return every condition of a command."""
    return [*permit.needs, *built_in(plant, point, value, now)]
