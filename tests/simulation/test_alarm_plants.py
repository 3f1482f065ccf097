"""The alarms of the example plants on simulated plants: quiet without a fault; trips and losses: ``test_alarm_expected``."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from plantview.alarms import AlarmEngine, AlarmStore, Search, compile_rules
from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.model.reading import Frame, Reading, good
from plantview.simulator.faults import parse_fault
from plantview.simulator.plant import SimulatedPlant
from tests.conftest import CHECKOUT
from tests.unit.alarm_rig import HandClock

SCAN_S = 5
DERIVED_EVERY = 3
JULY_AFTERNOON_MS = round(datetime(2026, 7, 15, 14, tzinfo=UTC).timestamp() * 1_000)


def live(folder: str, hours: float, *faults: str, cold: bool = False) -> tuple[AlarmEngine, list[str]]:
    """Let a simulated plant live, scanned every 5 s; return the engine and the alarms that called, in order."""
    plant = load_plant(CHECKOUT / "config" / folder)
    derivation = Derivation(plant)
    rules, problems = compile_rules(plant, derivation.signals)
    assert problems == []
    clock = HandClock(JULY_AFTERNOON_MS)
    engine = AlarmEngine(rules, clock, AlarmStore(None, clock))
    simulated = SimulatedPlant(plant, JULY_AFTERNOON_MS, seed=1, cold=cold)
    for fault in faults:
        simulated.inject(parse_fault(fault))
    derived: dict[str, Reading] = {}
    called: list[str] = []
    for scan in range(round(hours * 3_600 / SCAN_S)):
        simulated.step(SCAN_S)
        clock.go_to((scan + 1) * SCAN_S)
        now_ms = clock.now_ms()
        measured = {name: good(value, now_ms) for name, value in simulated.reported().items()}
        if scan % DERIVED_EVERY == 0:
            derived = dict(derivation.run(Frame(scan, now_ms, measured)).readings)
        entries = engine.evaluate(Frame(scan, now_ms, measured | derived), {})
        called += [entry.alarm for entry in entries if entry.annunciated]
    return engine, called


@pytest.mark.parametrize(("folder", "cold"), [("larkfield", False), ("orchard", False), ("orchard", True)])
def test_a_plant_without_a_fault_calls_nobody(folder: str, cold: bool) -> None:
    engine, called = live(folder, 2, cold=cold)
    assert called == []
    applied = {
        line["alarm"] for line in engine.journal(1_000, None, Search(by_design=True)) if line["kind"] == "UNSUPPRESS"
    }
    assert "CH-1.CHWS-LO" in applied, "the chiller ran, and its alarms watched"


def test_a_fouled_condenser_shows_in_its_approach_and_in_nothing_else() -> None:
    _, called = live("larkfield", 1, "fouled-condenser:CH-1:0.6@300")
    assert called == ["CH-1.COND-APPROACH"]


def test_a_chiller_that_trips_is_known_to_be_tripped() -> None:
    engine, _ = live("orchard", 0.2, "pump-trip:CHWP-1@300+3600")
    assert engine.tripped() == {"CH-1"}
