"""Adapters: the one that is chosen says why, a wrong mask is refused, and a port's holder is named.

Oracle for the broadcast address: the definition in RFC 919, all host bits one.
"""

from __future__ import annotations

import os
import socket

import pytest

from plantview.errors import StartRefused
from plantview.surveying.adapters import FREE, TCP, UDP, Interface, check, choose, holder, interfaces

LOOP = Interface("lo", "127.0.0.1/8", True)
OFFICE = Interface("eth0", "192.168.1.20/24", True)
PLANT = Interface("eth1", "10.20.30.5/22", True)
DOWN = Interface("eth2", "172.16.0.1/16", False)
BRIDGE = Interface("docker0", "172.17.0.1/16", True)


def test_the_only_wired_adapter_is_chosen() -> None:
    assert choose([LOOP, OFFICE, DOWN], "", [])[0] is OFFICE


def test_an_adapter_whose_network_holds_the_device_comes_first() -> None:
    chosen, why = choose([LOOP, OFFICE, PLANT], "", ["10.20.31.9"])
    assert chosen is PLANT
    assert "10.20.31.9" in why


def test_of_several_the_first_is_taken_and_that_is_said() -> None:
    chosen, why = choose([LOOP, BRIDGE, OFFICE, PLANT], "", [])
    assert chosen is OFFICE
    assert "--adapter" in why


def test_the_asked_one_is_taken_with_the_mask_of_this_computer() -> None:
    assert choose([LOOP, OFFICE, PLANT], "10.20.30.5", [])[0] is PLANT


def test_a_mask_that_differs_from_this_computer_s_is_refused_with_the_right_one() -> None:
    with pytest.raises(StartRefused, match=r"mask /22 .* not /24.*10\.20\.30\.5/22"):
        choose([PLANT], "10.20.30.5/24", [])


def test_an_address_that_this_computer_does_not_have_is_refused_with_those_it_has() -> None:
    with pytest.raises(StartRefused, match=r"no address 10\.9\.9\.9.*192\.168\.1\.20/24 \(eth0\)"):
        choose([LOOP, OFFICE], "10.9.9.9", [])


def test_without_any_adapter_the_survey_is_refused() -> None:
    with pytest.raises(StartRefused, match="no adapter"):
        choose([LOOP, DOWN], "", [])


def test_a_plant_s_adapter_is_checked_against_this_computer() -> None:
    assert check([PLANT], "10.20.30.5/22") == ""
    assert "is down" in check([DOWN], "172.16.0.1/16")
    assert "mask" in check([PLANT], "10.20.30.5/8")


def test_the_broadcast_address_has_all_host_bits_set() -> None:
    assert PLANT.broadcast == "10.20.31.255"


def test_this_computer_has_loopback_with_its_mask() -> None:
    assert "127.0.0.1/8" in [one.address for one in interfaces()]


@pytest.mark.parametrize(("transport", "kind"), [(UDP, socket.SOCK_DGRAM), (TCP, socket.SOCK_STREAM)])
def test_the_program_that_holds_a_port_is_named(transport: str, kind: socket.SocketKind) -> None:
    with socket.socket(socket.AF_INET, kind) as held:
        held.bind(("127.0.0.1", 0))
        if transport == TCP:
            held.listen()
        port = held.getsockname()[1]
        assert f"(process {os.getpid()})" in holder(transport, "127.0.0.1", port)
    assert holder(transport, "127.0.0.1", port) == FREE
