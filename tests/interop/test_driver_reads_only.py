"""Read-only is how the readers are built, and what arrives at the other end."""

from __future__ import annotations

import ast
import inspect
from dataclasses import replace
from pathlib import Path

import pytest

import plantview.drivers
from plantview.clock import SystemClock
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.bacnet_reader import BacnetReader
from plantview.drivers.modbus_reader import ModbusReader
from plantview.model.point import BacnetAddress
from tests.faults import bacnet_device as bacnet
from tests.faults import modbus_device as modbus
from tests.faults.polled import bacnet_device, modbus_device, object_point, plant_of, polling, register_point

BACNET_READS = {12, 14}
"""ReadProperty and ReadPropertyMultiple; 15 and 16 are the write services (ANSI/ASHRAE 135 clause 21, from memory)."""
MODBUS_READS = {1, 2, 3, 4}
"""Modbus Application Protocol V1.1b3, clauses 6.1 to 6.4; 5, 6, 15, 16, 22 and 23 write."""
WRITING = ("write", "relinquish", "command", "mask", "diag", "reinitialize", "create_object", "delete_object")


@pytest.mark.parametrize("reader", [BacnetNetwork, BacnetReader, ModbusReader])
def test_a_reader_has_no_method_that_could_write(reader: type) -> None:
    names = [name for name, _ in inspect.getmembers(reader, callable)]
    assert not [name for name in names if any(word in name.lower() for word in WRITING)]


def test_no_driver_module_calls_anything_that_writes_or_has_a_function_of_that_name() -> None:
    sources = list(Path(inspect.getfile(plantview.drivers)).parent.glob("*.py"))
    assert len(sources) > 6
    nodes = [
        node
        for source in sources
        if not source.stem.endswith("_write")
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8")))
    ]
    called = {node.attr for node in nodes if isinstance(node, ast.Attribute) and not _is_own(node)}
    called |= {node.name for node in nodes if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)}
    assert "read_holding_registers" in called, "the search finds calls"
    assert not [name for name in called if any(word in name.lower() for word in WRITING)]


def _is_own(node: ast.Attribute) -> bool:
    """Tell whether it is ``self.…``: what a class has itself is found by its definition."""
    return isinstance(node.value, ast.Name) and node.value.id == "self"


async def test_a_device_is_asked_to_tell_changes_only_of_the_rows_that_say_so() -> None:
    """SubscribeCOV, service 5, is the one request that is no read: it sets nothing but who is told."""

    def telling(device: bacnet.Device, request: bacnet.Request) -> list[bytes]:
        return [bytes((0x20, request.invoke, 5))] if request.service == 5 else bacnet.honest(device, request)

    async with bacnet.serving(telling) as controller, bacnet.serving(telling, instance=78) as other:
        first, second = bacnet_device("BC-1", controller.port, 77), bacnet_device("BC-2", other.port, 78)
        told = replace(object_point("A", first, "analog-input,1"), address=BacnetAddress("analog-input", 1, cov=True))
        points = [told, object_point("B", first, "analog-input,2"), object_point("C", second, "analog-input,1")]
        async with polling(plant_of((first, second), points), SystemClock()) as (_, outcomes):
            await outcomes.until(lambda seen: min(seen.told.get(f"{name}.power", 0) for name in "ABC") >= 4)
    assert controller.services.count(5) == 1
    assert set(controller.services) == BACNET_READS | {5}
    assert set(other.services) == BACNET_READS


def _refusing_bacnet(device: bacnet.Device, request: bacnet.Request) -> list[bytes]:
    """Refuse in turn: whatever a refusal leads to must be another read."""
    choice = len(device.asked) % 4
    refusals = [
        bytes((0x60, request.invoke, 9)),
        bytes((0x71, request.invoke, 4)),
        bytes((0x50, request.invoke, request.service)) + bacnet.error(31),
    ]
    return bacnet.honest(device, request) if choice == 3 else [refusals[choice]]


def _refusing_modbus(device: modbus.Device, request: modbus.Request) -> bytes | None:
    choice = len(device.asked) % 4
    return [modbus.exception(2), modbus.exception(6), modbus.exception(1), modbus.honest][choice](device, request)


async def test_only_read_services_arrive_at_the_devices_whatever_they_answer() -> None:
    async with bacnet.serving(_refusing_bacnet, objects=20) as controller, modbus.serving(_refusing_modbus) as panel:
        first, second = bacnet_device("BC-1", controller.port, 77), modbus_device("CH-1", panel.port, 1)
        points = [object_point(f"O{number}", first, f"analog-input,{number}") for number in range(1, 21)]
        points += [
            register_point(
                f"R{number}", second, f"{table} {number}", "bit:0" if table in {"coil", "discrete"} else "uint16"
            )
            for number, table in enumerate(["holding", "input", "coil", "discrete"] * 3)
        ]
        async with polling(plant_of((first, second), points), SystemClock()) as (_, outcomes):
            await outcomes.until(lambda _seen: len(controller.asked) > 40 and len(panel.asked) > 20, within_s=10)
        assert set(controller.services) == BACNET_READS
        assert {request.function for request in panel.asked} == MODBUS_READS
