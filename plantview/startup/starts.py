"""Start to stable: from a chiller's enable to flow, to run, to supply water within a band of its setpoint.

Stable means: within the band without a break for ``HOLD_S``; the time given is when that stretch began. Overshoot is
how far supply fell below the setpoint after it first came into the band of 1 °F; the least evaporator approach is
that while supply was within 2 °F of it. Bands and hold are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from plantview.model.plant import Plant
from plantview.model.reading import Frame
from plantview.model.signal import Signal
from plantview.startup.changes import Edge
from plantview.startup.memory import Memory

BANDS_F: Final = (0.5, 1.0, 2.0)
HOLD_S: Final = 300.0
WATCHED_S: Final = 4 * 3_600.0
"""A start that is not stable by then is closed as it stands."""
KEPT_MAX: Final = 100
KEPT: Final = "start"
K_PER_F: Final = 5.0 / 9.0
MILESTONES: Final[Mapping[str, str]] = {"chw_flow_proof": "chw_flow_s", "cw_flow_proof": "cw_flow_s", "status": "run_s"}
SETPOINTS: Final = ("active_setpoint", "setpoint")


@dataclass(slots=True)
class _Start:
    chiller: str
    enable_ms: int
    gap_ms: int
    found: dict[str, float] = field(default_factory=dict)
    within_ms: dict[float, int] = field(default_factory=dict)
    stable_s: dict[float, float] = field(default_factory=dict)
    overshoot_k: float | None = None
    approach_k: float | None = None
    setpoint_c: float | None = None
    state: str = "starting"

    def name(self) -> str:
        return f"{self.enable_ms:015d} {self.chiller}"

    def row(self) -> dict[str, Any]:
        """Return it as it is kept and shown."""
        return {
            "chiller": self.chiller,
            "enable_ms": self.enable_ms,
            "uncertain_s": self.gap_ms / 1_000,
            **{name: self.found.get(name) for name in MILESTONES.values()},
            "stable_s": {str(band): self.stable_s.get(band) for band in BANDS_F},
            "hold_s": HOLD_S,
            "setpoint_c": _rounded(self.setpoint_c),
            "overshoot_k": _rounded(self.overshoot_k),
            "approach_k": _rounded(self.approach_k),
            "state": self.state,
        }


class Starts:
    """Watches every start of every chiller that has an enable point."""

    def __init__(self, plant: Plant, signals: Mapping[str, Signal], memory: Memory) -> None:
        self._signals, self._memory = signals, memory
        self._chillers = [item.id for item in plant.equipment.values() if item.kind == "chiller"]
        self._setpoint = {name: _setpoint_of(plant, name, signals) for name in self._chillers}
        self._enables = {f"{name}.{order}": name for name in self._chillers for order in ("enable", "command")}
        self._open: dict[str, _Start] = {}
        self._done: dict[str, dict[str, Any]] = {}

    def recall(self) -> None:
        """Take back earlier starts; one that was being watched ended with the program that watched it."""
        for name, row in self._memory.rows(KEPT).items():
            unfinished = row["state"] == "starting"
            self._done[name] = {**row, "state": "not watched to the end"} if unfinished else row

    def take(self, edges: Iterable[Edge]) -> None:
        """Begin with an enable, end with its end, note flow and run."""
        for edge in edges:
            chiller = self._enables.get(edge.point)
            if chiller is not None:
                self._close(chiller, "stopped")
                if edge.now and edge.before is False:
                    self._open[chiller] = _Start(chiller, edge.at_ms, edge.gap_ms)
                    self._keep(self._open[chiller])
                continue
            equipment, _, measurement = edge.point.rpartition(".")
            start, milestone = self._open.get(equipment), MILESTONES.get(measurement)
            if start is not None and milestone is not None and edge.now:
                start.found.setdefault(milestone, max(0, edge.at_ms - start.enable_ms) / 1_000)
                self._keep(start)

    def watch(self, frame: Frame) -> None:
        """Look at supply and setpoint of every start that is not over."""
        for start in list(self._open.values()):
            for measurement, milestone in MILESTONES.items():
                # proven before the order: it took no time
                if milestone != "run_s" and milestone not in start.found and self._on(frame, start, measurement):
                    start.found[milestone] = 0.0
            self._judge(start, frame)
            if (frame.at_ms - start.enable_ms) / 1_000 > WATCHED_S:
                self._close(start.chiller, "watched for four hours")

    def _on(self, frame: Frame, start: _Start, measurement: str) -> bool:
        name = f"{start.chiller}.{measurement}"
        reading, signal = frame.reading(name), self._signals.get(name)
        return bool(signal is not None and reading.usable and reading.value == 1.0 and reading.at_ms <= start.enable_ms)

    def _judge(self, start: _Start, frame: Frame) -> None:
        supply = self._canonical(frame, f"{start.chiller}.chws_temp")
        setpoint = self._canonical(frame, self._setpoint[start.chiller])
        if "run_s" not in start.found or supply is None or setpoint is None:
            return
        start.setpoint_c = setpoint
        before = dict(start.stable_s)
        for band in BANDS_F:
            if abs(supply - setpoint) > band * K_PER_F:
                start.within_ms.pop(band, None)
                continue
            since = start.within_ms.setdefault(band, frame.at_ms)
            if band not in start.stable_s and frame.at_ms - since >= HOLD_S * 1_000:
                start.stable_s[band] = (since - start.enable_ms) / 1_000
                start.state = "stable"
        if start.overshoot_k is not None or 1.0 in start.within_ms:
            start.overshoot_k = max(start.overshoot_k or 0.0, setpoint - supply)
        approach = self._canonical(frame, f"{start.chiller}.evap_approach")
        if approach is not None and 2.0 in start.within_ms:  # before that it says nothing of the tubes
            start.approach_k = approach if start.approach_k is None else min(start.approach_k, approach)
        if start.stable_s != before:
            self._keep(start)

    def _canonical(self, frame: Frame, name: str) -> float | None:
        signal, reading = self._signals.get(name), frame.reading(name)
        if signal is None or reading.value is None or not reading.usable:
            return None
        return signal.unit.to_canonical(reading.value)

    def _close(self, chiller: str, why: str) -> None:
        start = self._open.pop(chiller, None)
        if start is not None:
            start.state = f"stable, then {why}" if start.stable_s else f"{why} before stable"
            self._keep(start)
            self._done[start.name()] = start.row()
            for old in sorted(self._done)[:-KEPT_MAX]:
                del self._done[old]
                self._memory.keep(KEPT, old, None)

    def _keep(self, start: _Start) -> None:
        self._memory.keep(KEPT, start.name(), start.row())

    def rows(self) -> list[dict[str, Any]]:
        """Return the starts, newest first."""
        rows = {**self._done, **{start.name(): start.row() for start in self._open.values()}}
        return [rows[name] for name in sorted(rows, reverse=True)]


def _setpoint_of(plant: Plant, chiller: str, signals: Mapping[str, Signal]) -> str:
    own = [f"{chiller}.{name}" for name in SETPOINTS]
    supply = [f"{stage.end}.setpoint" for loop in plant.loops.values() if loop.water == "chilled"
              for stage in loop.stages_of("chiller")]  # fmt: skip
    return next((name for name in (*own, *supply) if name in signals), "")


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
