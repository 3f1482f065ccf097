"""Random lives of an engine: whatever plant, people, power and clock do, the crew's promises hold."""

from __future__ import annotations

import tempfile
from collections import defaultdict
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from plantview.alarms import Search
from plantview.alarms.own import AT_DEVICE
from plantview.alarms.table import UNACKNOWLEDGED, State
from plantview.model.device_event import TRANSITIONS, DeviceEvent, Transition
from tests.unit.alarm_rig import Rig, row

LIMITS = {"PLAIN": 50.0, "LATCHED": 50.0, "SLOW": 50.0, "GATED": 50.0, "AGAIN": 50.0, "LOWER": 48.0, "HIGHER": 52.0}
ROWS = (
    row("PLAIN"),
    row("LATCHED", latching=True, first_out="G"),
    row("SLOW", on_delay_s=30, off_delay_s=20, deadband="1 degF", first_out="G"),
    row("GATED", when="CH-1.status is RUN"),
    row("AGAIN", re_alarm_s=300),
    row("LOWER", limit="48 degF"),
    row("HIGHER", type="HIHI", limit="52 degF"),
    row("SILENT", type="COMM", device="D-1"),
    row("FOLLOWER", type="STATE", point="CH-1.fault", states=["FAULT"], follows=["PLAIN"]),
    row("OWN", type="DEVICE", device="D-2"),
)
OBJECT = "analog-value,2"
OWN = f"OWN {OBJECT}"
ALL = (*LIMITS, "SILENT", "FOLLOWER", OWN)
PROMPT = ("PLAIN", "LATCHED", "AGAIN", "HIGHER")
"""Alarms without delay, gate or farther limit. HIHI is the farther limit of every HI here."""

ALARMS = st.sampled_from(sorted(ALL))
TEMPERATURES = st.sampled_from([None, 44.0, 48.0, 49.5, 50.0, 51.0, 52.0, 53.0])


class AlarmLife(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.rig = Rig(*ROWS, folder=Path(self.folder.name), bacnet=frozenset({"D-2"}))
        self.now_s = 0.0
        self.started_s = 0.0
        self.called: dict[str, bool] = defaultdict(bool)
        """Alarms that called and that nobody has answered, nor the design suppressed."""
        self.scan(0.0)

    def teardown(self) -> None:
        self.rig.engine.close()
        self.folder.cleanup()

    def scan(self, seconds: float) -> None:
        self.now_s += seconds
        begun = len(self.rig.entries)
        self.rig.scan(self.now_s)
        for entry in self.rig.entries[begun:]:
            if entry.annunciated:
                self.called[entry.alarm] = True
            if entry.after == State.DSUPR or (entry.kind == "ACK" and entry.person == AT_DEVICE):
                self.called[entry.alarm] = False

    def state(self, alarm: str) -> str:
        """Return where an alarm stands; one that its device never listed is normal."""
        return self.rig.state(alarm) if alarm in self.rig.engine._lives else State.NORM

    def states(self) -> dict[str, str]:
        return {alarm: self.state(alarm) for alarm in ALL}

    @property
    def temperature(self) -> float | None:
        reading = self.rig.readings.get("CH-1.chws_temp")
        return None if reading is None or self.rig.silent else reading.value

    # --- what happens -----------------------------------------------------------------------
    @rule(temp=TEMPERATURES, seconds=st.sampled_from([1.0, 10.0, 40.0]))
    def the_water_has(self, temp: float | None, seconds: float) -> None:
        self.rig.set("CH-1.chws_temp", temp)
        self.scan(seconds)

    @rule(runs=st.sampled_from([0.0, 1.0, None]))
    def the_chiller_runs(self, runs: float | None) -> None:
        self.rig.set("CH-1.status", runs)
        self.scan(1.0)

    @rule(fault=st.sampled_from([0.0, 1.0, None]))
    def the_panel_reports(self, fault: float | None) -> None:
        self.rig.set("CH-1.fault", fault)
        self.scan(1.0)

    @rule(
        state=st.sampled_from(["normal", "offnormal", "fault", ""]),
        waits=st.sets(st.sampled_from(TRANSITIONS)),
        number=st.integers(1, 3),
    )
    def the_device_has(self, state: str, waits: set[str], number: int) -> None:
        parts = tuple(Transition(word, word not in waits, True, 100, sequence=number) for word in TRANSITIONS)
        self.rig.events["D-2"] = (DeviceEvent("D-2", OBJECT, state, "alarm", parts),) if state else ()
        self.scan(1.0)

    @rule(seconds=st.sampled_from([1.0, 25.0, 310.0, 700.0]))
    def time_passes(self, seconds: float) -> None:
        self.scan(seconds)

    @rule(silent=st.booleans())
    def the_device_falls_silent(self, silent: bool) -> None:
        self.rig.silent = {"D-1": "no answer"} if silent else {}
        begun = len(self.rig.entries)
        self.scan(1.0)
        if silent:
            assert {entry.alarm for entry in self.rig.entries[begun:] if entry.annunciated} <= {"SILENT"}

    @rule(alarm=ALARMS)
    def somebody_acknowledges(self, alarm: str) -> None:
        unseen = self.state(alarm) in UNACKNOWLEDGED
        assert (self.rig.engine.acknowledge(alarm, "JD") is None) is unseen
        self.answered(alarm, unseen)

    @rule(alarm=ALARMS, seconds=st.sampled_from([60.0, 600.0, None, 0.0]))
    def somebody_shelves(self, alarm: str, seconds: float | None) -> None:
        self.answered(alarm, self.rig.engine.shelve(alarm, "JD", "known", seconds) is None)

    @rule(alarm=ALARMS)
    def somebody_unshelves(self, alarm: str) -> None:
        self.rig.engine.unshelve(alarm, "JD")
        if self.state(alarm) == State.UNACK:
            self.called[alarm] = True
        self.scan(0.0)

    @rule(alarm=ALARMS)
    def somebody_resets(self, alarm: str) -> None:
        waits = self.state(alarm) == State.LATAC
        assert (self.rig.engine.reset(alarm, "JD") is None) is waits

    @rule(alarm=ALARMS)
    def somebody_takes_it_out_of_service(self, alarm: str) -> None:
        self.answered(alarm, self.rig.engine.out_of_service(alarm, "JD", "sensor out") is None)

    @rule(alarm=ALARMS)
    def somebody_puts_it_back(self, alarm: str) -> None:
        self.rig.engine.in_service(alarm, "JD")
        self.scan(0.0)

    @rule(down_s=st.sampled_from([0.0, 90.0, 900.0]))
    def the_computer_is_killed(self, down_s: float) -> None:
        before = self.states()
        self.now_s += down_s
        self.rig.clock.go_to(self.now_s)
        self.rig.restart()
        self.started_s = self.now_s
        assert self.states() == before
        self.scan(0.0)

    @rule(step_s=st.sampled_from([-3_600.0, 3_600.0]))
    def the_clock_is_stepped(self, step_s: float) -> None:
        before = self.states()
        self.rig.clock.step(step_s)
        self.scan(0.0)
        assert self.states() == before

    def answered(self, alarm: str, done: bool) -> None:
        if done:
            self.called[alarm] = False
        self.scan(0.0)

    # --- what the crew was promised ------------------------------------------------------------
    @invariant()
    def nothing_is_forgotten_before_a_person_saw_it(self) -> None:
        waiting = {alarm for alarm, called in self.called.items() if called}
        assert {alarm for alarm in waiting if self.state(alarm) not in UNACKNOWLEDGED} == set()
        listed = {record["id"] for record in self.rig.engine.snapshot()["active"] if not record["acked"]}
        assert waiting <= listed

    @invariant()
    def an_alarm_that_is_over_and_seen_leaves_the_list(self) -> None:
        if self.temperature is None or self.temperature > 48.0:
            return
        for alarm in ("PLAIN", "AGAIN", "HIGHER", "LOWER"):
            if self.temperature < LIMITS[alarm]:
                assert self.rig.state(alarm) not in {State.UNACK, State.ACKED}

    @invariant()
    def normal_means_the_condition_is_gone(self) -> None:
        if self.temperature is None:
            return
        for alarm in PROMPT:
            if self.rig.state(alarm) in {State.NORM, State.RTNUN, State.LATUN, State.LATAC}:
                assert self.temperature <= LIMITS[alarm]

    @invariant()
    def a_timed_shelf_is_never_overdue(self) -> None:
        now_ms = self.rig.clock.now_ms()
        read = self.temperature is not None or self.now_s - self.started_s >= 120.0
        for record in self.rig.engine.snapshot()["shelved"]:
            if record["shelved_until_ms"] is not None and read and not record["frozen"]:
                assert record["shelved_until_ms"] > now_ms

    @invariant()
    def only_one_limit_of_a_point_is_on_the_list_as_active(self) -> None:
        if self.rig.state("HIGHER") in {State.UNACK, State.ACKED} and not self.rig.silent:
            assert self.rig.state("LOWER") not in {State.UNACK, State.ACKED}

    @invariant()
    def the_journal_tells_the_whole_story(self) -> None:
        stands: dict[str, str] = defaultdict(lambda: "NORM")
        for line in reversed(self.rig.engine.journal(1_000, None, Search(by_design=True))):
            if line["before"] and line["kind"] != "REFUSED":
                assert line["before"] == stands[line["alarm"]]
                stands[line["alarm"]] = line["after"]
        for alarm in ALL:
            assert stands[alarm] == self.state(alarm)

    @invariant()
    def a_consequence_is_on_the_list_set_aside_or_its_cause_speaks_for_it(self) -> None:
        reading = self.rig.readings.get("CH-1.fault")
        if reading is not None and reading.value == 1.0:
            assert self.state("FOLLOWER") != State.NORM
        if self.state("FOLLOWER") == State.DSUPR:
            assert self.state("PLAIN") in {State.UNACK, State.ACKED}

    @invariant()
    def what_waits_at_a_device_is_no_normal_alarm_here(self) -> None:
        for event in self.rig.events.get("D-2", ()):
            if event.active:
                assert self.state(OWN) not in {State.NORM, State.RTNUN}

    @invariant()
    def first_out_names_only_members_and_somebody_is_first(self) -> None:
        places = self.rig.engine.first_out("G")
        assert set(places) <= {"LATCHED", "SLOW"}
        assert not places or min(place.rank for place in places.values()) == 1


AlarmLife.TestCase.settings = settings(max_examples=40, stateful_step_count=40, deadline=None, derandomize=True)
TestAlarmLife = pytest.mark.timeout(120)(AlarmLife.TestCase)
