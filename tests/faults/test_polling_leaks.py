"""Failing for a long time costs nothing that stays: tasks, sockets and bookkeeping end where they began."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import tracemalloc
from collections.abc import Awaitable, Callable

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


@pytest.mark.parametrize(
    "behaviour",
    [
        on_bacnet.says_nothing,
        on_bacnet.sends_garbled_octets,
        on_bacnet.answers_another_question,
        on_bacnet.rejects,
        on_bacnet.errs_without_a_word,
        on_bacnet.stops_in_the_middle,
    ],
)
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


@pytest.mark.parametrize(
    "behaviour",
    [
        on_modbus.says_nothing,
        on_modbus.closes,
        on_modbus.sends_half_a_frame,
        on_modbus.answers_with_an_unknown_function,
        on_modbus.answers_as_another_unit,
        on_modbus.sends_no_register,
    ],
)
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


LONG_REPETITIONS, WARM = 300, 100
GROWTH_MAX_OCTETS = 64 * 1_024


async def _flat(fail: Callable[[], Awaitable[object]]) -> None:
    """Repeat a read, whatever comes of it; what it leaves behind must not grow after the first hundred."""
    before = tasks = sockets = 0
    tracemalloc.start()
    try:
        for place in range(LONG_REPETITIONS):
            with contextlib.suppress(DriverError):
                await fail()
            if place == WARM:
                gc.collect()
                before, tasks, sockets = tracemalloc.get_traced_memory()[0], len(asyncio.all_tasks()), open_sockets()
        gc.collect()
        grown = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    assert grown < GROWTH_MAX_OCTETS
    assert abs(len(asyncio.all_tasks()) - tasks) <= 1  # the peer may be closing the connection before last
    assert abs(open_sockets() - sockets) <= 2


@pytest.mark.long
@pytest.mark.timeout(60)
@pytest.mark.parametrize("behaviour", [row[1] for row in on_bacnet.TABLE], ids=[row[0] for row in on_bacnet.TABLE])
async def test_three_hundred_of_each_bacnet_fault_leave_memory_tasks_and_sockets_flat(
    behaviour: bacnet.Behaviour,
) -> None:
    async with (
        bacnet.serving(behaviour) as device,
        bacnet.serving(bacnet.honest, instance=78) as beside,
        BacnetNetwork(Adapter(f"{LOOPBACK}/8", 0)) as network,
    ):
        reader = BacnetReader(network, bacnet_device("BC-1", device.port, 77, timeout_s=DEADLINE_S))
        other = BacnetReader(network, bacnet_device("BC-2", beside.port, 78, timeout_s=1.0))
        batch = ObjectBatch([object_key_of("analog-input", 1), object_key_of("analog-input", 2)])

        async def fail_and_look_beside() -> None:
            good = (await other.read(batch))[object_key_of("analog-input", 1)]
            assert (good.value, good.flags) == (10.0, 0), "another device was disturbed"
            device.asked.clear()
            beside.asked.clear()
            beside.services.clear()
            device.services.clear()
            await reader.read(batch)

        await _flat(fail_and_look_beside)


@pytest.mark.long
@pytest.mark.timeout(60)
@pytest.mark.parametrize(
    "behaviour", [row[0] for row in on_modbus.ERRORS], ids=[f"{row[1].__name__} {row[2]}" for row in on_modbus.ERRORS]
)
async def test_three_hundred_of_each_modbus_fault_leave_memory_tasks_and_sockets_flat(
    behaviour: modbus.Behaviour,
) -> None:
    async with modbus.serving(behaviour) as device, modbus.serving(modbus.honest) as beside:
        reader, other = ModbusReader(LOOPBACK, device.port), ModbusReader(LOOPBACK, beside.port)

        async def fail_and_look_beside() -> None:
            assert await other.read("CH-2", 1, "holding", 7, 2, within_s=1.0) == [7, 8], "another device was disturbed"
            for one in (device, beside):
                one.asked.clear()
                one.writers[:] = one.writers[-2:]
            await reader.read("CH-1", 5, "holding", 100, 4, within_s=DEADLINE_S)

        await _flat(fail_and_look_beside)
        reader.close()
        other.close()


def test_the_record_of_exchanges_is_bounded_in_number_and_length() -> None:
    health = DeviceHealth(bacnet_device("BC-1", 1, 1), ManualClock(), 1)
    for _ in range(3 * EXCHANGES_KEPT):
        health.trace(exchange(b"\x01" * 1_476, b"\x02" * 1_476, "ok"))
    shown = health.as_dict({})["exchanges"]
    assert len(shown) == EXCHANGES_KEPT
    assert all(len(bytes.fromhex(one["received"])) == OCTETS_KEPT for one in shown)
