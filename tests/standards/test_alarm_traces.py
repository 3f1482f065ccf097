"""Traces of the standard's event algorithms, through a device to the list, and through our own limits.

Traces worked by hand from ANSI/ASHRAE 135, clause 13.3 (OUT_OF_RANGE conditions a to h, FLOATING_LIMIT,
CHANGE_OF_STATE; COMMAND_FAILURE from memory): low 40, high 48, deadband 1, strict comparisons, one scan a second.
The device of the first half is the simulated one, whose algorithms share no code with the alarms.
"""

from __future__ import annotations

from typing import Any, Final

import pytest

from plantview.model.device_event import TO_NORMAL, TO_OFFNORMAL, TRANSITIONS, DeviceEvent, Transition
from plantview.simulator.devices.event_algorithms import (
    Algorithm,
    ChangeOfState,
    CommandFailure,
    EventState,
    FloatingLimit,
    OutOfRange,
    Sample,
)
from tests.unit.alarm_rig import Rig, row

WORDS: Final = {0: "normal", 1: "fault", 2: "offnormal", 3: "high-limit", 4: "low-limit"}
OBJECT: Final = "analog-value,0"
OWN: Final = f"D-1.OWN {OBJECT}"
Spans = tuple[tuple[float, int], ...]


def band(delay_s: float, normal_s: float, **more: bool) -> OutOfRange:
    return OutOfRange(40.0, 48.0, 1.0, delay_s, normal_s, **more)


def spread(*spans: tuple[float, int], reference: float = 0.0) -> list[Sample]:
    return [Sample(value, reference) for value, seconds in spans for _ in range(seconds)]


T1: Final[Spans] = ((45, 20), (49, 25), (47.5, 5), (49, 40), (47.2, 30), (46.9, 20))
T2: Final[Spans] = ((45, 10), (38, 40), (40.5, 30), (41.2, 15))
T3: Final[Spans] = ((60, 10), (39, 10))
T4: Final[Spans] = ((50, 10), (30, 20))
F1: Final = [*spread((44.5, 60), (46.5, 100), reference=44.0), *spread((46.5, 40), (46.4, 40), reference=45.0)]

DEVICES: Final[dict[str, tuple[Algorithm, list[Sample], list[tuple[int, str]]]]] = {
    "T1": (band(30, 10), spread(*T1), [(80, "UNACK high limit"), (130, "RTNUN high limit")]),
    "T2": (band(30, 10), spread(*T2), [(40, "UNACK low limit"), (90, "RTNUN low limit")]),
    "T3 high limit not enabled": (band(5, 5, high_enabled=False), spread(*T3), [(15, "UNACK low limit")]),
    "T4 without condition d": (
        band(5, 2), spread(*T4), [(5, "UNACK high limit"), (12, "RTNUN high limit"), (18, "UNACK low limit")]),
    "T5 with condition d": (band(5, 2, crosses=True), spread(*T4), [(5, "UNACK high limit"), (15, "UNACK low limit")]),
    "F1 the setpoint moves": (
        FloatingLimit(OutOfRange(2, 2, 0.5, 60, 30)), F1, [(120, "UNACK high limit"), (230, "RTNUN high limit")]),
    "C1": (ChangeOfState({1.0}, 10, 0), spread((0, 5), (1, 15), (0, 5)), [(15, "UNACK offnormal"), (20, "RTNUN offnormal")]),
    "C2 status in time": (CommandFailure(15, 0), [Sample(1, float(at >= 12)) for at in range(20)], []),
    "C2 status late": (
        CommandFailure(15, 0), [Sample(1, float(at >= 16)) for at in range(20)],
        [(15, "UNACK offnormal"), (16, "RTNUN offnormal")]),
}  # fmt: skip


@pytest.mark.parametrize("trace", DEVICES)
def test_what_a_device_finds_stands_on_the_list_in_the_same_second_with_its_state(trace: str) -> None:
    algorithm, samples, expected = DEVICES[trace]
    device, rig = EventState(algorithm), Rig(row("D-1.OWN", type="DEVICE", device="D-1"), bacnet=frozenset({"D-1"}))
    waits: set[str] = set()
    found, last = [], "NORM"
    for second, sample in enumerate(samples):
        if device.scan(float(second), sample):
            waits.add(TO_NORMAL if device.state == 0 else TO_OFFNORMAL)
        listed = DeviceEvent("D-1", OBJECT, WORDS[device.state], "alarm", _bits(waits))
        rig.events["D-1"] = (listed,) if waits else ()
        rig.scan(second)
        record = rig.engine.record(OWN)
        now = (
            "NORM" if record is None else f"{record['state']} {record['text'].split(': ')[1].partition(' reported')[0]}"
        )
        if now != last:
            found.append((second, now))
            last = now
    assert found == expected


def _bits(waits: set[str]) -> tuple[Transition, ...]:
    return tuple(Transition(word, word not in waits, enabled=True, priority=100) for word in TRANSITIONS)


HIGH: Final[dict[str, Any]] = {"limit": "48 degF", "deadband": "1 degF"}
LOW: Final[dict[str, Any]] = {"type": "LO", "limit": "40 degF", "deadband": "1 degF"}
OURS: Final[dict[str, tuple[dict[str, dict[str, Any]], Spans, list[tuple[int, str]]]]] = {
    "T1": ({"HI": HIGH | {"on_delay_s": 30, "off_delay_s": 10}}, T1, [(80, "HI UNACK"), (130, "HI RTNUN")]),
    "T2": ({"LO": LOW | {"on_delay_s": 30, "off_delay_s": 10}}, T2, [(40, "LO UNACK"), (90, "LO RTNUN")]),
    "T3 no high limit": ({"LO": LOW | {"on_delay_s": 5, "off_delay_s": 5}}, T3, [(15, "LO UNACK")]),
    # each limit here is an alarm of its own: the low one does not wait for the high one, as with condition d
    "T5": (
        {"HI": HIGH | {"on_delay_s": 5, "off_delay_s": 2}, "LO": LOW | {"on_delay_s": 5, "off_delay_s": 2}}, T4,
        [(5, "HI UNACK"), (12, "HI RTNUN"), (15, "LO UNACK")]),
}  # fmt: skip


@pytest.mark.parametrize("trace", OURS)
def test_a_limit_of_ours_sets_and_returns_in_the_second_of_the_trace(trace: str) -> None:
    rows, spans, expected = OURS[trace]
    rig = Rig(*(row(name, **cells) for name, cells in rows.items()))
    found, last = [], dict.fromkeys(rows, "NORM")
    for second, sample in enumerate(spread(*spans)):
        rig.scan(second, temp=sample.value)
        for name in rows:
            if rig.state(name) != last[name]:
                last[name] = rig.state(name)
                found.append((second, f"{name} {last[name]}"))
    assert found == expected
