"""Failing for a long time costs nothing that stays: tasks, sockets and bookkeeping end where they began."""

from __future__ import annotations

import asyncio

import pytest

from plantview.clock import ManualClock
from plantview.drivers.bacnet_codec import object_key_of
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.bacnet_reader import BacnetReader, ObjectBatch
from plantview.drivers.exchange import OCTETS_KEPT, exchange
from plantview.drivers.modbus_reader import ModbusReader
from plantview.errors import DriverError
from plantview.model.plant import Adapter
from plantview.polling.health import EXCHANGES_KEPT, DeviceHealth
from tests.faults import bacnet_device as bacnet
from tests.faults import modbus_device as modbus
from tests.faults import test_bacnet_faults as on_bacnet
from tests.faults import test_modbus_faults as on_modbus
from tests.faults.polled import LOOPBACK, bacnet_device, open_sockets

REPETITIONS = 30
DEADLINE_S = 0.02


@pytest.mark.parametrize("behaviour", [
    on_bacnet.says_nothing, on_bacnet.sends_garbled_octets, on_bacnet.answers_another_question, on_bacnet.rejects,
    on_bacnet.errs_without_a_word, on_bacnet.stops_in_the_middle,
])
async def test_bacnet_failures_leave_nothing_behind(behaviour: bacnet.Behaviour) -> None:
    async with bacnet.serving(behaviour) as device, BacnetNetwork(Adapter(f"{LOOPBACK}/8", 0)) as network:
        tasks, sockets = len(asyncio.all_tasks()), open_sockets()
        reader = BacnetReader(network, bacnet_device("BC-1", device.port, 77, timeout_s=DEADLINE_S))
        batch = ObjectBatch([object_key_of("analog-input", 1)])
        for _ in range(REPETITIONS):
            with pytest.raises(DriverError):
                await reader.read(batch)
        await asyncio.sleep(0)
        assert (len(asyncio.all_tasks()), open_sockets()) == (tasks, sockets)
        assert (network._application.asap.clientTransactions, network._application._requests) == ([], {})


@pytest.mark.parametrize("behaviour", [
    on_modbus.says_nothing, on_modbus.closes, on_modbus.sends_half_a_frame, on_modbus.answers_with_an_unknown_function,
    on_modbus.answers_as_another_unit, on_modbus.sends_no_register,
])
async def test_modbus_failures_leave_nothing_behind(behaviour: modbus.Behaviour) -> None:
    async with modbus.serving(behaviour) as device:
        tasks, sockets = len(asyncio.all_tasks()), open_sockets()
        reader = ModbusReader(LOOPBACK, device.port)
        for _ in range(REPETITIONS):
            with pytest.raises(DriverError):
                await reader.read("CH-1", 5, "holding", 100, 4, within_s=DEADLINE_S)
        reader.close()
        async with asyncio.timeout(2):
            while (len(asyncio.all_tasks()), open_sockets()) != (tasks, sockets):  # noqa: ASYNC110 - the peer closes its ends
                await asyncio.sleep(0.005)


def test_the_record_of_exchanges_is_bounded_in_number_and_length() -> None:
    health = DeviceHealth(bacnet_device("BC-1", 1, 1), ManualClock(), 1)
    for _ in range(3 * EXCHANGES_KEPT):
        health.trace(exchange(b"\x01" * 1_476, b"\x02" * 1_476, "ok"))
    shown = health.as_dict({})["exchanges"]
    assert len(shown) == EXCHANGES_KEPT
    assert all(len(bytes.fromhex(one["received"])) == OCTETS_KEPT for one in shown)
