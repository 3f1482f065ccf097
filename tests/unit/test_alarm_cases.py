"""Check cases of the alarm life, written as the tables they come from.

A step is ``t<seconds> <act>``; its outcome is the state after it, with ``!`` where the act is
refused. States and transitions follow the state model of ISA-18.2 (own reference cases);
strict comparison and both delays follow ASHRAE 135 clause 13.3 (traces T1, C1, C2, F1).
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.unit.alarm_rig import Rig, row

GATE = {"when": "CH-1.status is RUN"}
MISMATCH: dict[str, Any] = {"type": "MISMATCH", "point": "CHWP-1.status", "command": "CHWP-1.command"}
FLOW = {"type": "LO", "point": "CH-1.chw_flow", "limit": "100 gpm", "deadband": "0 gpm"}

# case: row cells, steps, states, seconds of annunciation
CASES: dict[str, tuple[dict[str, Any], str, str, list[float]]] = {
    "A1 basic, ack then clear": (
        {"deadband": "1 degF"},
        "t0 v=45 · t10 v=51 · t20 ack · t30 v=49.5 · t40 v=48.9",
        "NORM UNACK ACKED ACKED NORM",
        [10],
    ),
    "A2 clears before ack": (
        {"deadband": "1 degF"},
        "t0 v=45 · t10 v=51 · t20 v=48.0 · t30 ack",
        "NORM UNACK RTNUN NORM",
        [10],
    ),
    "A3 re-alarm from RTNUN": (
        {"deadband": "1 degF"},
        "t0 v=51 · t10 v=48 · t20 v=51 · t30 ack · t40 v=48",
        "UNACK RTNUN UNACK ACKED NORM",
        [0, 20],
    ),
    "A4 equal to limit is not an alarm; equal to limit-db is not a return": (
        {"deadband": "1 degF"},
        "t0 v=50 · t10 v=50.01 · t20 v=49.0 · t30 v=48.99",
        "NORM UNACK UNACK RTNUN",
        [10],
    ),
    "B1 on-delay 30 s, 25 s excursion ignored": (
        {"on_delay_s": 30},
        "t0 v=51 · t10 v=51 · t25 v=49 · t30 v=49 · t60 v=49",
        "NORM NORM NORM NORM NORM",
        [],
    ),
    "B2 on-delay 30 s, boundary": ({"on_delay_s": 30}, "t0 v=51 · t29 v=51 · t30 v=51", "NORM NORM UNACK", [30]),
    "B3 on-delay restarts after a dip": (
        {"on_delay_s": 30},
        "t0 v=51 · t20 v=49 · t25 v=51 · t50 v=51 · t54 v=51 · t55 v=51",
        "NORM NORM NORM NORM NORM UNACK",
        [55],
    ),
    "B4 off-delay 20 s holds one alarm through chatter": (
        {"off_delay_s": 20},
        "t0 v=51 · t5 v=49 · t10 v=51 · t15 v=49 · t20 v=51 · t25 v=49 · t44 v=49 · t45 v=49",
        "UNACK UNACK UNACK UNACK UNACK UNACK UNACK RTNUN",
        [0],
    ),
    "B5 same signal, off-delay 0": (
        {},
        "t0 v=51 · t5 v=49 · t10 v=51 · t15 v=49 · t20 v=51 · t25 v=49 · t44 v=49 · t45 v=49",
        "UNACK RTNUN UNACK RTNUN UNACK RTNUN RTNUN RTNUN",
        [0, 10, 20],
    ),
    "C1 latched: active, clear, ack, reset": (
        {"latching": True},
        "t0 v=51 · t10 v=49 · t20 ack · t30 reset",
        "UNACK LATUN LATAC NORM",
        [0],
    ),
    "C2 latched: ack first, then clear, reset": (
        {"latching": True},
        "t0 v=51 · t5 ack · t10 v=49 · t20 reset",
        "UNACK ACKED LATAC NORM",
        [0],
    ),
    "C3 latched: reset refused while active and while unacked": (
        {"latching": True},
        "t0 v=51 · t5 reset · t10 ack · t15 reset · t20 v=49 · t25 reset",
        "UNACK UNACK! ACKED ACKED! LATAC NORM",
        [0],
    ),
    "C4 latched: re-alarm from LATAC": (
        {"latching": True},
        "t0 v=51 · t5 ack · t10 v=49 · t15 v=51",
        "UNACK ACKED LATAC UNACK",
        [0, 15],
    ),
    "D1 timed shelf 600 s, cleared meanwhile": (
        {},
        "t0 v=51 · t10 shelve:600 · t100 v=49 · t609 · t610",
        "UNACK SHLVD SHLVD SHLVD NORM",
        [0],
    ),
    "D2 timed shelf, still active at expiry: annunciates again": (
        {},
        "t0 v=51 · t10 ack · t20 shelve:600 · t619 v=51 · t620 v=51",
        "UNACK ACKED SHLVD SHLVD UNACK",
        [0, 620],
    ),
    "D3 one-shot shelf ends at return to normal": (
        {},
        "t0 v=51 · t10 oneshot · t20 v=49 · t30 v=51",
        "UNACK SHLVD NORM UNACK",
        [0, 30],
    ),
    "D4 ack refused while shelved; unshelve by operator while active": (
        {},
        "t0 v=51 · t5 shelve:600 · t6 ack · t7 unshelve",
        "UNACK SHLVD SHLVD! UNACK",
        [0, 7],
    ),
    "E1 suppressed by design while off, alarm after start and on-delay": (
        FLOW | GATE | {"on_delay_s": 30},
        "t0 v=0 dsup · t100 v=0 · t110 v=0 undsup · t139 v=0 · t140 v=0",
        "DSUPR DSUPR NORM NORM UNACK",
        [140],
    ),
    "E1b same, flow proven within the delay": (
        FLOW | GATE | {"on_delay_s": 30, "deadband": "5 gpm"},
        "t0 v=0 dsup · t110 v=0 undsup · t125 v=400 · t200 v=400",
        "DSUPR NORM NORM NORM",
        [],
    ),
    "E2 out of service, back in service while normal": (
        {},
        "t0 v=51 · t5 oos · t10 v=49 · t20 inserv",
        "UNACK OOSRV OOSRV NORM",
        [0],
    ),
    "E3 out of service wins over the shelf timer": (
        {},
        "t0 v=51 · t5 shelve:60 · t10 oos · t100 v=51 · t110 inserv",
        "UNACK SHLVD OOSRV OOSRV UNACK",
        [0, 110],
    ),
    "F1 bad quality holds the state and restarts the timers": (
        {"on_delay_s": 30},
        "t0 v=51 · t20 v=BAD · t25 v=51 · t50 v=51 · t55 v=51 · t60 v=BAD · t70 v=49",
        "NORM NORM NORM NORM UNACK UNACK RTNUN",
        [55],
    ),
    "G1 re-alarm every 900 s while acked and active": (
        {"re_alarm_s": 900},
        "t0 v=51 · t10 ack · t899 v=51 · t900 v=51 · t905 ack",
        "UNACK ACKED ACKED UNACK ACKED",
        [0, 900],
    ),
    "H1 command on, status off (fail to start) 15 s": (
        MISMATCH | {"on_delay_s": 15},
        "t0 v=CMD0_STS0 · t10 v=CMD1_STS0 · t20 v=CMD1_STS1 · t30 v=CMD1_STS0 · t44 v=CMD1_STS0 · t45 v=CMD1_STS0"
        " · t50 ack · t60 v=CMD0_STS0",
        "NORM NORM NORM NORM NORM UNACK ACKED NORM",
        [45],
    ),
    "C1 of change of state: alarm value for 10 s, normal at once": (
        {"type": "STATE", "point": "CH-1.fault", "states": ["FAULT"], "on_delay_s": 10},
        "t0 v=0 · t5 v=1 · t14 v=1 · t15 v=1 · t20 v=0",
        "NORM NORM NORM UNACK RTNUN",
        [15],
    ),
    "C2 of command failure: status at 12 s is in time": (
        MISMATCH | {"on_delay_s": 15},
        "t0 v=CMD1_STS0 · t12 v=CMD1_STS1 · t15 v=CMD1_STS1",
        "NORM NORM NORM",
        [],
    ),
    "C2 of command failure: status at 16 s is late": (
        MISMATCH | {"on_delay_s": 15},
        "t0 v=CMD1_STS0 · t15 v=CMD1_STS0 · t16 v=CMD1_STS1",
        "NORM UNACK RTNUN",
        [15],
    ),
}


def play(rig: Rig, step: str) -> str:
    """Do one step and return the state after it, with ``!`` if an act was refused."""
    at, *words = step.split()
    rig.clock.go_to(float(at[1:]))
    refused = False
    for word in words:
        refused = _act(rig, word) or refused
    rig.scan()
    return rig.state() + ("!" if refused else "")


def _act(rig: Rig, word: str) -> bool:
    engine, (name, _, argument) = rig.engine, word.partition(":")
    if word.startswith("v="):
        _set(rig, word[2:])
        return False
    if word in {"dsup", "undsup"}:
        rig.set("CH-1.status", float(word == "undsup"))
        return False
    acts = {
        "ack": lambda: engine.acknowledge("HI", "JD"),
        "reset": lambda: engine.reset("HI", "JD"),
        "shelve": lambda: engine.shelve("HI", "JD", "known, part ordered", float(argument)),
        "oneshot": lambda: engine.shelve("HI", "JD", "known", None),
        "unshelve": lambda: engine.unshelve("HI", "JD"),
        "oos": lambda: engine.out_of_service("HI", "JD", "sensor being replaced"),
        "inserv": lambda: engine.in_service("HI", "JD"),
    }
    return acts[name]() is not None


def _set(rig: Rig, text: str) -> None:
    if text.startswith("CMD"):
        rig.set("CHWP-1.command", float(text[3]))
        rig.set("CHWP-1.status", float(text[-1]))
        return
    value = None if text == "BAD" else float(text)
    for name in ("CH-1.chws_temp", "CH-1.chw_flow", "CH-1.fault"):
        rig.set(name, value)


@pytest.mark.parametrize("case", CASES)
def test_each_step_leads_to_the_state_of_the_table(case: str) -> None:
    cells, steps, states, annunciations = CASES[case]
    rig = Rig(row(**cells))
    assert " ".join(play(rig, step) for step in steps.split(" · ")) == states
    assert rig.annunciated() == annunciations


# BACnet OUT_OF_RANGE, High 48, deadband 1, time delay 30 s, to normal 10 s, ticks of 1 s (trace T1)
T1 = ((45, 20), (49, 25), (47.5, 5), (49, 40), (47.2, 30), (46.9, 20))


def test_out_of_range_trace_t1_sets_at_80_s_and_returns_at_130_s() -> None:
    rig = Rig(row(limit="48 degF", deadband="1 degF", on_delay_s=30, off_delay_s=10))
    at, changes, last = 0, [], "NORM"
    for value, seconds in T1:
        for _ in range(seconds):
            rig.scan(at, temp=value)
            if rig.state() != last:
                last = rig.state()
                changes.append((at, last))
            at += 1
    assert changes == [(80, "UNACK"), (130, "RTNUN")]


# FLOATING_LIMIT (trace F1): differential 2, deadband 0.5, delays 60 and 30 s; value, setpoint, seconds
F1 = ((44.5, 44, 60), (46.5, 44, 100), (46.5, 45, 40), (46.4, 45, 40))


def test_floating_limit_trace_f1_a_moved_setpoint_alone_clears_nothing() -> None:
    cells = {"point": "CH-1.chws_temp", "setpoint": "CH-1.setpoint", "limit": "2 degF", "deadband": "0.5 degF"}
    rig = Rig(row(type="DEV_HI", on_delay_s=60, off_delay_s=30, **cells))
    at, changes, last = 0, [], "NORM"
    for value, setpoint, seconds in F1:
        for _ in range(seconds):
            rig.set("CH-1.setpoint", setpoint)
            rig.scan(at, temp=value)
            if rig.state() != last:
                last = rig.state()
                changes.append((at, last))
            at += 1
    assert changes == [(120, "UNACK"), (230, "RTNUN")]
