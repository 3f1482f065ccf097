"""The verdict: one line per problem, each with what to do, and nothing is well that was not asked."""

from __future__ import annotations

import socket
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pytest

from plantview.cli_preflight import page_port
from plantview.model.plant import Plant
from plantview.model.point import BacnetAddress
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad, good
from plantview.surveying.preflight import Outcome, patience_s, without_subscriptions
from plantview.surveying.verdict import BAD, NOTE, OK, POINTS_SHOWN, Finding, remedy, verdict


def health(plant: Plant, **of_all: Any) -> dict[str, Mapping[str, Any]]:
    row = {"plans": [{"requests_per_cycle": 2, "period_s": 5.0}], "cycle_ms": 40, "clock_offset_s": 0.2, **of_all}
    return dict.fromkeys(plant.devices, row)


def all_good(plant: Plant) -> Outcome:
    ordinary = {"temperature": 50.0, "power": 200.0, "percent": 60.0}
    readings = {name: good(ordinary.get(point.quantity, 1.0), 0) for name, point in plant.points.items()}
    return Outcome(readings, {}, health(plant))


def levels(found: list[Finding], part: str) -> list[str]:
    return [one.level for one in found if part in str(one)]


def test_a_plant_that_is_ready_has_no_line_that_says_otherwise(larkfield: Plant) -> None:
    found = list(verdict(larkfield, all_good(larkfield), {}))
    assert [one for one in found if one.level == BAD] == []
    assert levels(found, f"{len(larkfield.points)} good, 0 uncertain, 0 bad") == [OK]
    assert levels(found, "BACnet/IP load: 0.8 requests/s (budget 200)") == [OK]


def test_a_taken_port_is_bad_and_its_devices_are_not_asked(larkfield: Plant) -> None:
    outcome = all_good(larkfield)
    outcome.not_asked = {"BC-1": "the BACnet port stands in the way"}
    found = list(
        verdict(larkfield, outcome, {larkfield.bacnet: {"port": "UDP port 47900 is held by x (process 7) -> stop it"}})
    )
    assert levels(found, "held by x (process 7)") == [BAD]
    assert levels(found, "BC-1 (bacnet 200101") == [BAD]


def test_a_silent_device_is_one_line_and_not_one_per_point(larkfield: Plant) -> None:
    outcome = all_good(larkfield)
    names = [name for name, point in larkfield.points.items() if point.device == "BC-2"]
    for name in names:
        del outcome.readings[name]
        outcome.silent[name] = "no answer in 2 s"
    found = list(verdict(larkfield, outcome, {}))
    assert len([one for one in found if "no answer in 2 s" in str(one)]) == 1
    assert levels(found, "check power, cable and address") == [BAD]
    assert levels(found, f"{len(names)} bad of {len(larkfield.points)}") == [BAD]


def test_each_bad_point_says_what_to_do_and_many_are_cut_short(larkfield: Plant) -> None:
    outcome = all_good(larkfield)
    names = [name for name, point in larkfield.points.items() if point.device == "BC-2"][: POINTS_SHOWN + 5]
    outcome.readings |= {name: bad("refused by the device: error unknown-object", 0) for name in names}
    found = list(verdict(larkfield, outcome, {}))
    told = [one for one in found if "unknown-object" in one.text]
    assert len(told) == POINTS_SHOWN
    assert all("address column" in one.remedy for one in told)
    assert levels(found, "5 more are not good") == [BAD]


def test_a_point_in_hand_is_worth_a_note_and_stops_nobody(larkfield: Plant) -> None:
    outcome = all_good(larkfield)
    outcome.readings["CWP-1.speed"] = Reading(50.0, Quality.UNCERTAIN, "in hand at the device", 0)
    found = list(verdict(larkfield, outcome, {}))
    assert levels(found, "CWP-1.speed") == [NOTE]
    assert levels(found, "1 uncertain, 0 bad") == [OK]


@pytest.mark.parametrize(
    ("offset_s", "said"),
    [
        (21_600.4, "6 h ahead of ours"),
        (-5_400.0, "1.5 h behind ours"),
        (125.0, "125 s ahead of ours"),
        (-0.4, "-0.4 s against ours"),
    ],
)
def test_a_clock_that_is_off_is_told_in_seconds_or_as_another_zone(
    larkfield: Plant, offset_s: float, said: str
) -> None:
    outcome = all_good(larkfield)
    outcome.health = health(larkfield, clock_offset_s=offset_s)
    lines = [str(one) for one in verdict(larkfield, outcome, {}) if "clock" in one.subject]
    assert all(said in line for line in lines)
    assert all(("time zone" in line) == (" h " in line) for line in lines)


def test_a_gateway_that_is_busy_beyond_its_budget_is_bad(larkfield: Plant) -> None:
    outcome = all_good(larkfield)
    outcome.health = health(larkfield, cycle_ms=1_200)
    found = list(verdict(larkfield, outcome, {}))
    assert levels(found, "gateway 127.0.0.1:15020: one cycle keeps it busy 96%") == [BAD]


def test_more_requests_than_the_adapter_s_budget_are_bad(larkfield: Plant) -> None:
    slow = replace(larkfield, bacnet=replace(larkfield.bacnet, requests_per_s=0.5))
    found = list(verdict(slow, all_good(slow), {}))
    assert levels(found, "needs 0.8 requests/s, the budget is 0.5") == [BAD]


def test_a_value_that_contradicts_its_unit_is_noted(larkfield: Plant) -> None:
    outcome = all_good(larkfield)
    outcome.readings["CH-1.chws_temp"] = good(6.7, 0)
    assert levels(list(verdict(larkfield, outcome, {})), "6.7 degF is unlikely here; it is probably degC") == [NOTE]


@pytest.mark.parametrize(
    "reason",
    [
        "refused by the device: error unknown-object",
        "refused by the device: exception 2, illegal data address",
        "no number (NaN)",
        "the device says: not available",
        "12 °F is outside 20..60 °F",
        "no answer in 2 s",
        "no connection to 192.0.2.1:502",
        "fault at the device: no-sensor",
        "something new",
    ],
)
def test_every_reason_has_something_to_do(reason: str) -> None:
    assert len(remedy(reason)) > 10


def test_a_reason_that_holds_its_remedy_gets_no_second_one() -> None:
    assert remedy("no BACnet device 5 at 192.0.2.1:47808 -> correct its instance or address") == ""


def test_a_preflight_subscribes_to_nothing(larkfield: Plant) -> None:
    name = next(name for name, point in larkfield.points.items() if isinstance(point.address, BacnetAddress))
    point = larkfield.points[name]
    assert isinstance(point.address, BacnetAddress)
    subscribing = replace(
        larkfield, points={**larkfield.points, name: replace(point, address=replace(point.address, cov=True))}
    )
    asked = without_subscriptions(subscribing)
    assert [one for one in asked.points.values() if isinstance(one.address, BacnetAddress) and one.address.cov] == []
    assert set(asked.points) == set(larkfield.points)


def test_a_page_port_that_is_taken_is_a_note_with_what_to_do(free_tcp_port: Callable[[], int]) -> None:
    port = free_tcp_port()
    assert page_port(port).level == OK
    with socket.create_server(("127.0.0.1", port)):
        taken = page_port(port)
    assert taken.level == NOTE
    assert f"TCP port {port} on 127.0.0.1 is held by" in taken.text


def test_the_wait_is_bounded_however_slow_the_plant(larkfield: Plant) -> None:
    slow = {name: replace(point, period_s=86_400.0) for name, point in larkfield.points.items()}
    assert patience_s(replace(larkfield, points=slow)) == 150.0
    assert patience_s(larkfield) < 60.0
