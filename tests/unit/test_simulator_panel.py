"""The chiller panel's own sequence and timers."""

from __future__ import annotations

from plantview.simulator import constants as c
from plantview.simulator.panel import FAULT, INHIBIT, OFF, RUN, STARTING, STOPPING, WAITING, FlowSwitch, Panel, Safeties


def run(panel: Panel, seconds: float, *, enabled: bool = True, proven: bool = True, chws_c: float = 7.0) -> list[str]:
    """Step second by second; return the modes passed through."""
    modes = [panel.mode]
    for _ in range(round(seconds)):
        panel.step(1.0, enabled, proven, Safeties(chws_c))
        if panel.mode != modes[-1]:
            modes.append(panel.mode)
    return modes


def test_a_start_passes_through_every_mode_in_order() -> None:
    panel = Panel()
    assert run(panel, 120) == [OFF, WAITING, STARTING, RUN]
    assert run(panel, 120, enabled=False) == [RUN, STOPPING, INHIBIT]
    assert panel.starts == 1


def test_an_enabled_chiller_without_flow_waits_for_it() -> None:
    panel = Panel()
    assert run(panel, 3_600, proven=False) == [OFF, WAITING]
    assert not panel.compressor_on


def test_flow_must_hold_before_the_start() -> None:
    panel = Panel()
    for _ in range(20):  # a flow switch that chatters
        panel.step(1.0, True, False, Safeties(7.0))
    assert panel.mode == WAITING


def test_loss_of_flow_trips_into_fault_and_a_drop_shorter_than_the_filter_does_not() -> None:
    panel = Panel()
    run(panel, 120)
    run(panel, c.FLOW_FILTER_S - 1, proven=False)
    assert panel.mode == RUN
    run(panel, 5)
    run(panel, c.FLOW_FILTER_S + 1, proven=False)
    assert panel.mode == FAULT
    assert panel.fault_code == 1


def test_freezing_water_trips() -> None:
    panel = Panel()
    run(panel, 120)
    run(panel, 2, chws_c=c.FREEZE_TRIP_C - 0.1)
    assert (panel.mode, panel.fault_code) == (FAULT, 2)


def test_a_fault_stays_while_enabled_and_is_reset_by_the_crew_after_its_time() -> None:
    panel = Panel()
    run(panel, 120)
    run(panel, 10, proven=False)
    run(panel, 2 * c.FAULT_RESET_S)
    assert panel.mode == FAULT
    run(panel, 2, enabled=False)
    assert panel.mode == OFF
    assert panel.fault_code == 0


def test_anti_recycle_timers_hold_a_start_back_and_say_for_how_long() -> None:
    panel = Panel()
    run(panel, 120)
    run(panel, c.STOPPING_S + 1, enabled=False)
    assert panel.mode == INHIBIT
    left = panel.restart_left_s
    assert 0 < left <= c.START_TO_START_S
    run(panel, 60)
    assert panel.restart_left_s == left - 60
    run(panel, left - 60)
    assert panel.mode == WAITING
    run(panel, c.FLOW_FILTER_S + 1)
    assert panel.mode == STARTING


def test_a_flow_switch_opens_lower_than_it_closes() -> None:
    switch = FlowSwitch(100.0)
    states = []
    for flow in (0, 75, 85, 75, 60, 75, 85):
        switch.sense(flow)
        states.append(switch.closed)
    assert states == [False, False, True, True, False, False, True]
