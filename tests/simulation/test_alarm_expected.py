"""What each event in the simulated plants calls: written down before the run, anything else fails.

A row: the plant, how it starts, how long, what happens, and every annunciation in order with the seconds
after the event within which it must come; the controllers' own alarms are among them. A plant without a
fault calls nobody, but for a controller's own word on water that is still warm when a plant starts.
After a trip or a loss the cause comes first, and at most five alarms follow from one cause.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest

from plantview.alarms import AlarmEngine, AlarmStore, compile_rules
from plantview.alarms.figures import figures
from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.model.plant import Plant
from plantview.model.reading import Frame, Reading, bad, good
from plantview.model.signal import signal_of
from plantview.simulator.faults import parse_fault
from plantview.simulator.plant import SimulatedPlant
from tests.conftest import CHECKOUT
from tests.simulation.controllers import Controllers
from tests.simulation.test_alarm_plants import JULY_AFTERNOON_MS
from tests.unit.alarm_rig import HandClock

SCAN_S = 5
DERIVED_EVERY = 3
EVENT_S = 300.0
WAKE_MAX = 5
DAY_MAX = 10
DAY_H = 24.0
WEEKEND_H = 60.0
"""Friday evening to Monday morning."""
WINTER = {"dry_bulb_mean": 4.0, "dry_bulb_swing": 4.0, "dew_point": 0.0}
NO_ANSWER = "no answer in 3 s"


@dataclass(frozen=True)
class Event:
    """One row of the table."""

    plant: str
    hours: float
    faults: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()
    """Devices that fall silent at the event, ten seconds apart."""
    commands: tuple[tuple[str, float], ...] = ()
    """What an outsider commands at the event."""
    cold: bool = False
    off_h: float = 0.0
    """So long the cold plant stands still, everything off, before its sequence starts it."""
    weather: tuple[tuple[str, float], ...] = ()
    expected: tuple[tuple[str, float, float], ...] = ()
    """Alarm, and the seconds after the event between which it calls."""


def trip(plant: str, pump: str, *expected: tuple[str, float, float], hours: float = 0.25) -> Event:
    return Event(plant, hours, (f"pump-trip:{pump}@{EVENT_S:g}+7200",), expected=expected)


def fault(plant: str, what: str, *expected: tuple[str, float, float], hours: float = 0.25) -> Event:
    return Event(plant, hours, (f"{what}@{EVENT_S:g}+7200",), expected=expected)


def lost(plant: str, *devices: str, expected: tuple[tuple[str, float, float], ...]) -> Event:
    return Event(plant, 0.12, silent=devices, expected=expected)


LARKFIELD = "larkfield"
CONDENSER = ("CWP-1", "CWP-2", "CWP-3")
PRIMARY = ("PCHWP-1", "PCHWP-2", "PCHWP-3")


def trips(*pumps: str, expected: tuple[tuple[str, float, float], ...]) -> Event:
    return Event(LARKFIELD, 0.25, tuple(f"pump-trip:{pump}@{EVENT_S:g}+7200" for pump in pumps), expected=expected)


SUPPLY_WARM = "BC-2.OWN event-enrollment,8"
"""The controller's own floating limit on the supply temperature: more than 2.5 K above its setpoint for 10 min."""


def warm_at_start(off_h: float) -> tuple[tuple[str, float, float], ...]:
    """Return what a plant calls that starts warm after ``off_h``: its controller's word, 10 to 20 min later."""
    started_s = 3_600 * off_h - EVENT_S
    return ((SUPPLY_WARM, started_s + 600, started_s + 1_200),)


EVENTS: dict[str, Event] = {
    "a pull-down from warm": Event(LARKFIELD, 0.75, cold=True, expected=warm_at_start(0)),
    "a pull-down of the small plant": Event("orchard", 1, cold=True),
    "a few hours off, then the start": Event(
        LARKFIELD, 3.5, cold=True, off_h=2.5, expected=warm_at_start(2.5)),
    "a few hours off of the small plant, then the start": Event("orchard", 3.5, cold=True, off_h=2.5),
    "condenser pump change-over by hand": Event(LARKFIELD, 0.3, commands=(("CWP-1.command", 0.0), ("CWP-3.command", 1.0))),
    "condenser pump trips": trip(LARKFIELD, "CWP-1", ("CWP-1.RUN", 0, 30)),
    "primary pump trips": trip(LARKFIELD, "PCHWP-1", ("PCHWP-1.RUN", 0, 30)),
    "secondary pump trips": trip(LARKFIELD, "SCHWP-1", ("SCHWP-1.RUN", 0, 30)),
    "the only chilled water pump trips": trip(
        "orchard", "CHWP-1", ("CH-1.CHW-FLOW", 0, 60)),
    "the only condenser pump trips": trip(
        "orchard", "CWP-1", ("CH-1.CW-FLOW", 0, 60)),
    # three pumps are three causes: each says that it does not run as soon as it is called for again
    "all condenser pumps trip at once": trips(*CONDENSER, expected=(
        ("CH-1.CW-FLOW", 0, 60), ("CH-2.CW-FLOW", 0, 60),
        ("CWP-1.RUN", 0, 120), ("CWP-2.RUN", 0, 180), ("CWP-3.RUN", 0, 240))),
    "all primary pumps trip at once": trips(*PRIMARY, expected=(
        ("CH-1.CHW-FLOW", 0, 60), ("CH-2.CHW-FLOW", 0, 60),
        ("PCHWP-1.RUN", 0, 120), ("PCHWP-3.RUN", 0, 180), ("PCHWP-2.RUN", 0, 240))),
    "all secondary pumps trip at once": trips("SCHWP-1", "SCHWP-2", expected=(
        ("SCHWP-1.RUN", 0, 30), ("SCHWP-2.RUN", 0, 30))),
    # after its restart time of 15 min the panel asks for the pump again, which then fails to start
    "a tower fan trips": fault(LARKFIELD, "fan-trip:CT-1-FAN", ("CT-1-FAN.RUN", 0, 90)),
    "a chiller trips": fault(LARKFIELD, "chiller-trip:CH-1", ("CH-1.FAULT", 0, 15)),
    "the only chiller trips": fault("orchard", "chiller-trip:CH-1", ("CH-1.FAULT", 0, 15)),
    "a primary pump is switched off at its drive": fault(
        LARKFIELD, "drive-off-at-switch:PCHWP-1", ("PCHWP-1.RUN", 0, 30)),
    "a secondary pump is switched off at its drive": fault(
        LARKFIELD, "drive-off-at-switch:SCHWP-1", ("SCHWP-1.RUN", 0, 30)),
    "a chilled water flow switch opens": fault(
        LARKFIELD, "flow-switch-open:CH-1.chw_flow_proof", ("CH-1.CHW-FLOW", 0, 60)),
    "a condenser water flow switch opens": fault(
        LARKFIELD, "flow-switch-open:CH-1.cw_flow_proof", ("CH-1.CW-FLOW", 0, 60)),
    "a chiller loses its supply sensor": fault(
        LARKFIELD, "sensor-broken:CH-1.chws_temp", ("CH-1.CHWS-BAD", 90, 150)),
    # the controller reports its low level switch at once, our alarm on it waits for 30 s
    "the basin loses its make-up water": fault(
        LARKFIELD, "makeup-shut:CT-BASIN", ("BASIN-LEVEL-LO", 3_000, 4_500),
        ("BC-1.OWN binary-input,7", 5_000, 6_300), ("BASIN-LOW", 5_000, 6_300), hours=1.8),
    "the only chilled water pump trips, and is called for again": trip(
        "orchard", "CHWP-1", ("CH-1.CHW-FLOW", 0, 60), ("CHWP-1.RUN", 900, 960), hours=0.36),
    "one controller lost": lost(LARKFIELD, "BC-2", expected=(("BC-2.SILENT", 30, 45),)),
    "one chiller panel lost": lost(LARKFIELD, "CH-1-PANEL", expected=(("CH-1-PANEL.SILENT", 30, 45),)),
    "two devices lost": lost(
        LARKFIELD, "BC-1", "BC-2", expected=(("BC-1.SILENT", 30, 45), ("BC-2.SILENT", 40, 55))),
    "three devices lost: power or network": lost(
        LARKFIELD, "BC-1", "BC-2", "CH-1-PANEL", expected=(("COMMON-LOSS", 20, 30),)),
}  # fmt: skip
DAYS: dict[str, Event] = {
    "a July day": Event(LARKFIELD, DAY_H),
    "a day that begins with a pull-down": Event(LARKFIELD, DAY_H, cold=True, expected=warm_at_start(0)),
    "a winter day": Event(LARKFIELD, DAY_H, weather=tuple(WINTER.items())),
    "a July day of the small plant": Event("orchard", DAY_H),
    "a weekend off, and Monday's pull-down": Event(
        LARKFIELD, WEEKEND_H + 12, cold=True, off_h=WEEKEND_H, expected=warm_at_start(WEEKEND_H)
    ),
    "a weekend off of the small plant, and Monday's pull-down": Event(
        "orchard", WEEKEND_H + 12, cold=True, off_h=WEEKEND_H
    ),
}


class Run:
    """One simulated plant with its alarms."""

    def __init__(self, event: Event) -> None:
        self.event = event
        self.plant = _plant(event)
        self.derivation = Derivation(self.plant)
        signals = {point.name: signal_of(point) for point in self.plant.points.values()} | dict(self.derivation.signals)
        rules, problems = compile_rules(self.plant, signals)
        assert problems == []
        self.clock = HandClock(JULY_AFTERNOON_MS)
        self.engine = AlarmEngine(rules, self.clock, AlarmStore(None, self.clock))
        self.simulated = SimulatedPlant(self.plant, JULY_AFTERNOON_MS, seed=1, cold=event.cold)
        for fault in event.faults:
            self.simulated.inject(parse_fault(fault))
        self.controllers = Controllers(self.plant, self.simulated, self.clock)
        self.derived: dict[str, Reading] = {}
        self.called: list[tuple[str, float]] = []

    def live(self) -> list[tuple[str, float]]:
        """Return every annunciation with its seconds after the event."""
        for scan in range(round(self.event.hours * 3_600 / SCAN_S)):
            self._scan(scan, (scan + 1) * SCAN_S)
        return self.called

    def _scan(self, scan: int, now_s: float) -> None:
        if now_s == EVENT_S:
            for point, value in self.event.commands:
                self.simulated.command(point, value)
        if now_s > 3_600 * self.event.off_h:
            self.simulated.step(SCAN_S)
        self.clock.go_to(now_s)
        now_ms = self.clock.now_ms()
        reported = self.simulated.reported()
        measured = {name: _read(value, now_ms) for name, value in reported.items()}
        if scan % DERIVED_EVERY == 0:
            self.derived = dict(self.derivation.run(Frame(scan, now_ms, measured)).readings)
        silent = {
            device: NO_ANSWER for number, device in enumerate(self.event.silent) if now_s >= EVENT_S + 10 * number
        }
        self.controllers.scan(reported, silent)
        frame = Frame(scan, now_ms, measured | self.derived)
        entries = self.engine.evaluate(frame, silent, events=self.controllers.events)
        self.called += [(entry.alarm, now_s - EVENT_S) for entry in entries if entry.annunciated]


def _read(value: float, now_ms: int) -> Reading:
    return good(value, now_ms) if math.isfinite(value) else bad("sensor fault", now_ms)


def _plant(event: Event) -> Plant:
    plant = load_plant(CHECKOUT / "config" / event.plant)
    return replace(plant, simulation={**plant.simulation, **dict(event.weather)}) if event.weather else plant


def _compare(called: list[tuple[str, float]], event: Event) -> None:
    assert [alarm for alarm, _ in called] == [alarm for alarm, _, _ in event.expected]
    for (alarm, at_s), (_, earliest_s, latest_s) in zip(called, event.expected, strict=True):
        assert earliest_s <= at_s <= latest_s, (alarm, at_s)


@pytest.mark.timeout(240)
@pytest.mark.parametrize("name", EVENTS)
def test_an_event_calls_what_its_row_says_and_nothing_else(name: str) -> None:
    event = EVENTS[name]
    run = Run(event)
    called = run.live()
    _compare(called, event)
    assert len(called) <= WAKE_MAX
    grouped = [alarm for alarm, _ in called if run.engine._lives[alarm].rule.first_out]
    if grouped:
        assert run.engine.first_out("PLANT")[grouped[0]].rank == 1


@pytest.mark.long
@pytest.mark.timeout(1_800)
@pytest.mark.parametrize("name", DAYS)
def test_a_day_without_a_fault_calls_what_its_row_says_and_nothing_chatters(name: str) -> None:
    event = DAYS[name]
    run = Run(event)
    _compare(run.live(), event)
    end_ms = run.clock.now_ms()
    found = figures(run.engine.lines(0, end_ms)[0], end_ms - 86_400_000, end_ms)
    assert found["total"] <= DAY_MAX
    assert (found["chattering"], found["stale"]) == ([], [])
