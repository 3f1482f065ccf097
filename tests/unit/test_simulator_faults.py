"""How faults are written, refused and timed."""

from __future__ import annotations

import math

import pytest

from plantview.model.plant import Plant
from plantview.simulator.faults import FAULTS, Fault, UnknownFault, parse_fault, place_fault

READS = [
    ("pump-trip:CWP-2@120", Fault("pump-trip", "CWP-2", 0.0, 120.0)),
    ("sensor-bias:CH-1.chws_temp:+1.5@60+600", Fault("sensor-bias", "CH-1.chws_temp", 1.5, 60.0, 600.0)),
    ("sensor-bias:CH-1.chws_temp:-0.5", Fault("sensor-bias", "CH-1.chws_temp", -0.5)),
    ("stuck-sensor:sec-out.dp_to:chw-return@5", Fault("stuck-sensor", "sec-out.dp_to:chw-return", 0.0, 5.0)),
    ("sensor-bias:sec-out.dp_to:chw-return:-2", Fault("sensor-bias", "sec-out.dp_to:chw-return", -2.0)),
    ("fouled-condenser:CH-1", Fault("fouled-condenser", "CH-1", 0.45)),
    ("device-silent:BC-1@60+120", Fault("device-silent", "BC-1", 0.0, 60.0, 120.0)),
]


@pytest.mark.parametrize(("text", "expected"), READS)
def test_a_fault_is_read_as_it_is_written(text: str, expected: Fault) -> None:
    assert parse_fault(text) == expected


@pytest.mark.parametrize("name", FAULTS)
def test_the_example_of_every_kind_is_one_that_can_be_read(name: str) -> None:
    assert parse_fault(FAULTS[name].example).kind == name


REFUSALS = [
    ("pump-tripp:CWP-2", "known faults: pump-trip"),
    ("pump-trip", "write kind:target"),
    ("pump-trip:CWP-2:3", "has no amount"),
    ("sensor-bias:CH-1.chws_temp@60", "lacks its amount"),
    ("fouled-condenser:CH-1:1.5", "0 to 0.9"),
    ("", "write kind:target"),
]


@pytest.mark.parametrize(("text", "remedy"), REFUSALS)
def test_a_fault_that_cannot_be_read_is_refused_with_a_remedy(text: str, remedy: str) -> None:
    with pytest.raises(UnknownFault) as refused:
        parse_fault(text)
    assert remedy in str(refused.value)


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("pump-trip:CWP-9", "CWP-1"),
        ("stuck-sensor:CH-1.nothing", "use one of"),
        ("device-silent:BC-7", "BC-1"),
        ("fouled-condenser:CWP-1", "CH-1"),
    ],
)
def test_a_target_that_the_plant_does_not_have_is_refused_with_those_it_has(
    larkfield: Plant, text: str, remedy: str
) -> None:
    with pytest.raises(UnknownFault) as refused:
        place_fault(parse_fault(text), larkfield)
    assert remedy in str(refused.value)


def test_the_seconds_of_a_fault_count_from_the_first_question() -> None:
    fault = Fault("pump-trip", "CWP-1", 0.0, 10.0, 5.0)
    moments = [fault.active(1_000_000 + 1_000 * second) for second in (0, 9, 10, 14, 15)]
    assert moments == [False, False, True, True, False]
    assert Fault("pump-trip", "CWP-1").duration_s == math.inf
