"""Devices behind routers and converters, and Modbus types of the point list: what may be said, and what is refused."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any

import pytest

from plantview.config.adapters import read_adapters, read_bacnet
from plantview.config.addresses import AddressProblem, bacnet_address
from plantview.config.devices import read_devices
from plantview.config.problems import Problems
from plantview.config.registers import modbus_address
from plantview.model.plant import Adapter, Device


def _devices(text: str) -> tuple[dict[str, Device], list[str]]:
    problems = Problems("plant.toml")
    found = read_devices(tomllib.loads(text), problems)
    return found, [f"{problem.place}: {problem.wrong}" for problem in problems.found]


ROUTED = '[devices.A]\nprotocol = "bacnet"\ninstance = 5\n'


@pytest.mark.parametrize(
    "text",
    [
        ROUTED + 'address = "100:2@192.168.1.5"',
        ROUTED + 'address = "192.168.1.5"\nnetwork = 100\nmac = 2',
        ROUTED + 'address = "192.168.1.5:47808"\nnetwork = 100\nmac = "2"',
    ],
)
def test_a_station_behind_a_router_may_be_written_in_either_form(text: str) -> None:
    found, problems = _devices(text)
    assert problems == []
    assert (found["A"].network, found["A"].mac, found["A"].address) == (100, "02", "192.168.1.5:47808")
    assert found["A"].station == "100:2@192.168.1.5:47808"


def test_a_station_may_have_an_address_of_six_octets() -> None:
    found, problems = _devices(ROUTED + 'address = "192.168.1.5"\nnetwork = 3\nmac = "0A:00:01:05:BA:C0"')
    assert (problems, found["A"].mac) == ([], "0a000105bac0")


@pytest.mark.parametrize(
    ("text", "place", "wrong"),
    [
        (ROUTED + 'address = "0:2@192.168.1.5"', "devices.A.address", "'0' is no network number"),
        (ROUTED + 'address = "100:300@192.168.1.5"', "devices.A.mac", "'300' is no station"),
        (ROUTED + 'address = "192.168.1.5"\nnetwork = 100', "devices.A.mac", "belong together"),
        (
            ROUTED + 'address = "100:2@192.168.1.5"\nnetwork = 100\nmac = 2',
            "devices.A.network",
            "says the network already",
        ),
        (
            '[devices.A]\nprotocol = "modbus"\nunit_id = 1\naddress = "192.168.1.5"\nnetwork = 3\nmac = 1',
            "devices.A.network",
            "a modbus device has no network",
        ),
        (ROUTED + 'address = "192.168.1.5"\nframer = "rtu"', "devices.A.framer", "a bacnet device has no framer"),
        (
            ROUTED
            + 'address = "1:2@192.168.1.5"\n[devices.B]\nprotocol = "bacnet"\ninstance = 6\naddress = "1:3@192.168.1.6"',
            "devices.B.address",
            "network 1 has two routers",
        ),
        (
            '[devices.A]\nprotocol = "modbus"\nunit_id = 1\naddress = "192.168.1.5"\nframer = "rtu"\n[devices.B]\nprotocol = "modbus"\nunit_id = 2\naddress = "192.168.1.5"',
            "devices.B",
            'A at the same address has framer = "rtu"',
        ),
    ],
)
def test_a_contradiction_is_named_with_its_place(text: str, place: str, wrong: str) -> None:
    _, problems = _devices(text)
    assert any(problem.startswith(place) and wrong in problem for problem in problems), problems


def test_two_stations_behind_one_router_are_two_devices() -> None:
    _, problems = _devices(
        ROUTED
        + 'address = "1:2@192.168.1.5"\n[devices.B]\nprotocol = "bacnet"\ninstance = 6\naddress = "1:3@192.168.1.5"'
    )
    assert problems == []


NETWORKS = """
[bacnet]
address = "192.168.10.5/24"

[bacnet.adapters.yard]
address = "10.1.0.5/16"
port = 47809
bbmd = "10.1.0.1"

[devices.A]
protocol = "bacnet"
instance = 5
address = "192.168.10.20"

[devices.B]
protocol = "bacnet"
instance = 5
address = "10.1.0.20"
adapter = "yard"
"""


def _networks(text: str) -> tuple[dict[str, Adapter], list[str]]:
    problems = Problems("plant.toml")
    raw = tomllib.loads(text)
    devices = read_devices(raw, problems)
    read_bacnet(raw, devices, problems)
    found = read_adapters(raw, devices, problems)
    return found, [str(problem) for problem in problems.found]


def test_a_device_may_stand_behind_a_further_adapter_with_an_instance_that_another_network_has_too() -> None:
    found, problems = _networks(NETWORKS)
    assert problems == []
    assert found == {"yard": Adapter("10.1.0.5/16", 47_809, "10.1.0.1:47808", 300, 200.0, "yard")}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('adapter = "yard"', 'adapter = "yards"', "no [bacnet.adapters.yards] -> did you mean 'yard'?"),
        ('"10.1.0.5/16"\nport = 47809', '"192.168.10.5/24"', "the same address and port as [bacnet] -> "),
        ("port = 47809", "prot = 47809", "unknown key 'prot' -> did you mean 'port'?"),
        ('"10.1.0.5/16"', '"10.1.0.5"', "'10.1.0.5' has no mask -> "),
        ('\nadapter = "yard"', "", "B and A are the same device"),
    ],
)
def test_what_is_wrong_with_a_further_adapter_is_said_with_its_remedy(old: str, new: str, said: str) -> None:
    assert old in NETWORKS
    _, problems = _networks(NETWORKS.replace(old, new))
    assert [one for one in problems if said in one], problems


def test_a_foreign_device_s_relay_and_the_budget_are_read() -> None:
    problems = Problems("plant.toml")
    raw: Mapping[str, Any] = {
        "bacnet": {"address": "192.168.10.5/24", "bbmd": "192.168.20.1", "ttl_s": 60, "requests_per_s": 50}
    }
    adapter = read_bacnet(raw, {}, problems)
    assert (adapter.bbmd, adapter.ttl_s, adapter.requests_per_s, problems.found) == ("192.168.20.1:47808", 60, 50.0, [])
    read_bacnet({"bacnet": {"address": "192.168.10.5/24", "bbmd": "relay.example"}}, {}, problems)
    assert "is no IPv4 address" in problems.found[0].wrong


@pytest.mark.parametrize(
    ("cells", "count", "reach"),
    [
        ({"address": "holding 100", "type": "bcd32"}, 2, (100, 102)),
        ({"address": "holding 100", "type": "mod10k:4", "order": "CDAB"}, 4, (100, 104)),
        ({"address": "input 100", "type": "bits:4-7"}, 1, (100, 101)),
        ({"address": "holding 100", "type": "string:8"}, 8, (100, 108)),
        ({"address": "holding 100", "type": "int16", "scale_register": "holding 110"}, 1, (100, 111)),
        ({"address": "holding 100", "type": "uint64", "order": "GHEFCDAB"}, 4, (100, 104)),
    ],
)
def test_the_types_of_the_point_list_take_their_registers(
    cells: dict[str, str], count: int, reach: tuple[int, int]
) -> None:
    address = modbus_address(cells)
    assert (address.count, address.reach) == (count, reach)


def test_sentinels_may_be_several_and_an_order_of_eight_octets_is_one_of_the_four() -> None:
    address = modbus_address(
        {
            "address": "holding 1",
            "type": "int64",
            "order": "HGFEDCBA",
            "na": "0x8000|-1",
            "over": "32767",
            "under": "0x8001",
        }
    )
    assert (address.order, address.not_available, address.over, address.under) == (
        "DCBA",
        (0x8000, -1),
        (32_767,),
        (0x8001,),
    )


@pytest.mark.parametrize(
    ("cells", "column", "wrong"),
    [
        (
            {"address": "holding 100", "type": "mod10k:4"},
            "order",
            "does not say which register holds the lowest digits",
        ),
        ({"address": "holding 100", "type": "mod10k:5", "order": "CDAB"}, "type", "is no Modbus type"),
        ({"address": "holding 100", "type": "bits:7-4"}, "type", "is no Modbus type"),
        ({"address": "holding 100", "type": "string:0"}, "type", "is no Modbus type"),
        ({"address": "holding 100", "type": "int32", "order": "GHEFCDAB"}, "order", "is no byte order"),
        (
            {"address": "holding 100", "type": "int16", "scale_register": "input 110"},
            "scale_register",
            "is no register of the holding table",
        ),
        ({"address": "holding 100", "type": "int16", "scale_register": "300"}, "scale_register", "is too far"),
        ({"address": "holding 100", "type": "int16", "over": "full"}, "over", "'full' is no raw value"),
    ],
)
def test_a_cell_that_cannot_be_meant_is_refused_with_its_column(cells: dict[str, str], column: str, wrong: str) -> None:
    with pytest.raises(AddressProblem) as caught:
        modbus_address(cells)
    assert caught.value.column == column
    assert wrong in caught.value.wrong
    assert caught.value.remedy


def test_an_object_may_be_told_and_logged() -> None:
    address = bacnet_address({"address": "binary-input,3", "cov": "yes", "trend_log": "trend-log,12"})
    assert (address.cov, address.trend_log) == (True, 12)
    for cells, column in (({"cov": "perhaps"}, "cov"), ({"trend_log": "log 3"}, "trend_log")):
        with pytest.raises(AddressProblem) as caught:
            bacnet_address({"address": "binary-input,3", **cells})
        assert caught.value.column == column


@pytest.mark.parametrize(
    ("text", "per_s"),
    [
        ('address = "192.168.1.5"', 10.0),
        ('address = "100:2@192.168.1.5"', 2.0),
        ('address = "100:2@192.168.1.5"\nrequests_per_s = 5', 5.0),
        ('address = "192.168.1.5"\nrequests_per_s = 0', 0.0),
    ],
)
def test_a_device_without_a_budget_has_the_usual_one_of_its_kind_of_network(text: str, per_s: float) -> None:
    found, problems = _devices(ROUTED + text)
    assert (found["A"].requests_per_s, problems) == (per_s, [])
