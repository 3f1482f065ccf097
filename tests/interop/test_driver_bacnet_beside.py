"""Clock, COV, trend logs, foreign registration and routers, against devices that nobody here wrote.

rusty-bacnet (Rust) is the peer but for the router, which is built from bacpypes3's own network layer.
"""

from __future__ import annotations

import asyncio
import dataclasses
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest

from plantview.clock import SystemClock
from plantview.config.ports import free_port
from plantview.drivers import bacnet_slow as slow
from plantview.drivers.bacnet_codec import object_key_of
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.bacnet_reader import BacnetReader
from plantview.errors import DeviceRefused
from plantview.model.plant import Adapter, Device
from plantview.model.point import BacnetAddress
from plantview.model.quality import Quality
from plantview.polling.device_clock import local_ms, offset_ms, utc_ms
from tests.faults.polled import LOOPBACK, bacnet_device, object_point, plant_of, polling
from tests.interop.peers.router import routing

rusty = pytest.importorskip("rusty_bacnet")
INSTANCE = 4_711
HERE = Adapter(f"{LOOPBACK}/8", 0)


@asynccontextmanager
async def _served(fill: Callable[[Any], None], **more: Any) -> AsyncIterator[tuple[Device, Any]]:
    port = free_port(socket.SOCK_DGRAM)
    server = rusty.BACnetServer(
        device_instance=INSTANCE, device_name="peer", interface=LOOPBACK, port=port, broadcast_address=LOOPBACK, **more
    )
    fill(server)
    await server.start()
    try:
        yield bacnet_device("BC-1", port, INSTANCE, timeout_s=1.0), server
    finally:
        await server.stop()


async def _set_state(server: Any, instance: int, state: int) -> None:
    which = rusty.ObjectIdentifier(rusty.ObjectType.BINARY_INPUT, instance)
    await server.set_present_value_local(which, rusty.PropertyValue.enumerated(state))


def _state(server: Any) -> None:
    server.add_binary_input(instance=1, name="running")


async def test_a_device_s_clock_is_read_as_its_local_time() -> None:
    async with _served(_state) as (device, _), BacnetNetwork(HERE) as network:
        found = await BacnetReader(network, device).clock_ms()
    assert found is not None
    assert abs(offset_ms(found, "UTC", SystemClock().now_ms())) < 14 * 3_600_000, "a local time somewhere on Earth"


async def test_the_clock_offset_of_a_polled_device_is_measured_and_shown() -> None:
    async with _served(_state) as (device, _):
        plant = dataclasses.replace(
            plant_of([device], [object_point("X", device, "binary-input,1", states={0: "OFF", 1: "RUN"})]),
            zone=_zone_here(),
        )
        async with polling(plant, SystemClock()) as (running, _):
            await _becomes(lambda: bool(running.health()) and running.health()[0]["clock_offset_s"] is not None)
            assert abs(running.health()[0]["clock_offset_s"]) < 2.0


def _zone_here() -> str:
    """Return a zone with this computer's offset from UTC: the peer keeps its local time."""
    hours = -(time.altzone if time.localtime().tm_isdst else time.timezone) // 3_600
    return f"Etc/GMT{-hours:+d}" if hours else "UTC"


async def test_a_change_is_told_at_once_and_the_poll_goes_on() -> None:
    async with _served(_state) as (device, server):
        slow_device = dataclasses.replace(device, period_s=30.0)
        base = object_point("X", slow_device, "binary-input,1", states={0: "OFF", 1: "RUN"})
        point = dataclasses.replace(base, address=BacnetAddress("binary-input", 1, cov=True))
        async with polling(plant_of([slow_device], [point]), SystemClock()) as (running, outcomes):
            await _becomes(
                lambda: bool(running.health()) and running.health()[0].get("cov", {}).get("notifications", 0) >= 1
            )
            await _set_state(server, 1, 1)
            await outcomes.until(lambda seen: seen.readings["X.power"].value == 1.0)  # long before the next poll
            assert outcomes.readings["X.power"].quality is Quality.GOOD
            assert running.health()[0]["cov"] | {"notifications": 0} == {
                "objects": 1,
                "refused": 0,
                "notifications": 0,
                "missed": 0,
            }


async def test_a_subscription_to_an_object_that_is_not_there_is_refused_by_name() -> None:
    async with _served(_state) as (device, _), BacnetNetwork(HERE) as network:
        with pytest.raises(DeviceRefused, match="unknown-object"):
            await BacnetReader(network, device).subscribe(1, object_key_of("binary-input", 99), 60)


def _logged(server: Any) -> None:
    server.add_analog_input(instance=1, name="A1", units=62, present_value=21.5)
    reference = (rusty.ObjectIdentifier(rusty.ObjectType.ANALOG_INPUT, 1), rusty.PropertyIdentifier.PRESENT_VALUE)
    server.add_trend_log(
        instance=3, name="TL", buffer_size=200, reference=reference, log_interval=20, logging_type="polled"
    )


async def test_a_trend_log_comes_page_by_page_with_numbers_times_and_no_record_twice() -> None:
    async with _served(_logged) as (device, _), BacnetNetwork(HERE) as network:
        reader = BacnetReader(network, device)
        begin = local_ms(SystemClock().now_ms() - 3_600_000, _zone_here())
        page = await reader.log_page(slow.encode_since(3, begin, 50))
        async with asyncio.timeout(15):
            while sum(sample.value == 21.5 for sample in page.samples) < 3:
                await asyncio.sleep(0.2)
                page = await reader.log_page(slow.encode_since(3, begin, 50))
        first = page.first
        one = await reader.log_page(slow.encode_page(3, first, 2))
        two = await reader.log_page(slow.encode_page(3, first + one.items, 2))
    sequences = [sample.sequence for sample in one.samples + two.samples]
    assert sequences == sorted(set(sequences))
    assert {sample.value for sample in page.samples} == {21.5}
    now = local_ms(SystemClock().now_ms(), _zone_here())
    assert all(now - 60_000 < sample.local_ms <= now + 2_000 for sample in page.samples)


async def test_a_registration_as_a_foreign_device_shows_its_state() -> None:
    bbmd = rusty.Bbmd(bdt=[], accept_foreign_devices=True)
    async with _served(_state, bbmd=bbmd) as (device, _), BacnetNetwork(_foreign(device.port)) as network:
        await _state_becomes(network, "registered")
        assert (await BacnetReader(network, device).limits()).max_apdu == 1_476


def _foreign(port: int) -> Adapter:
    return Adapter(f"{LOOPBACK}/8", 0, f"{LOOPBACK}:{port}", 30)


async def test_a_refused_and_an_unanswered_registration_are_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    from plantview.drivers import bacnet_link

    monkeypatch.setattr(bacnet_link, "ANSWER_WITHIN_S", 0.1)
    refusing = rusty.Bbmd(bdt=[], accept_foreign_devices=False)
    async with _served(_state, bbmd=refusing) as (device, _), BacnetNetwork(_foreign(device.port)) as network:
        await _state_becomes(network, "refused with code 0x0030")
    async with BacnetNetwork(_foreign(free_port(socket.SOCK_DGRAM))) as network:
        await _state_becomes(network, "no answer from the BBMD")


async def _state_becomes(network: BacnetNetwork, state: str) -> None:
    await _becomes(lambda: network.registration == state)


async def _becomes(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(5):
        while not condition():  # noqa: ASYNC110 - a record, not an event
            await asyncio.sleep(0.01)


async def test_stations_behind_a_router_are_read_and_share_one_path() -> None:
    port = free_port(socket.SOCK_DGRAM)
    behind = [
        dataclasses.replace(bacnet_device(f"ST-{mac}", port, 7_000 + mac, timeout_s=1.0), network=100, mac=f"{mac:02x}")
        for mac in (2, 3, 9)
    ]
    points = [object_point(f"P{one.unit}", one, "analog-input,1") for one in behind]
    async with (
        routing(port, 100, {2: 7_002, 3: 7_003}),
        polling(plant_of(behind, points), SystemClock()) as (running, outcomes),
    ):
        await outcomes.until(
            lambda seen: {"P7002.power", "P7003.power"} <= seen.readings.keys() and "P7009.power" in seen.silent
        )
        assert [outcomes.readings[f"P{unit}.power"].value for unit in (7_002, 7_003)] == [7_002.0, 7_003.0]
        assert {row["station"] for row in running.health()} == {f"100:{mac}@{LOOPBACK}:{port}" for mac in (2, 3, 9)}
        adapter, shared = running.networks()
        assert (adapter["devices"], shared["devices"]) == (3, 3)
        assert shared["name"] == f"BACnet network 100 behind {LOOPBACK}:{port}"


async def test_a_network_that_the_router_does_not_know_is_unreachable_or_silent_and_never_a_value() -> None:
    port = free_port(socket.SOCK_DGRAM)
    lost = dataclasses.replace(bacnet_device("ST-2", port, 7_002, timeout_s=0.3), network=200, mac="02")
    async with (
        routing(port, 100, {2: 7_002}),
        polling(plant_of([lost], [object_point("X", lost, "analog-input,1")]), SystemClock()) as (running, outcomes),
    ):
        await outcomes.until(lambda seen: "X.power" in seen.silent)
        assert outcomes.reading("X") is None
        assert running.health()[0]["state"] == "silent"


def test_a_local_time_becomes_utc_also_in_the_hour_that_comes_twice() -> None:
    """Central European Time ends its summer on 2025-10-26 at 03:00, when 02:00 to 03:00 comes again (IANA tz database)."""
    twice = 1_761_445_800_000  # 2025-10-26 02:30 as if it were UTC
    assert utc_ms(twice, "Europe/Vienna", twice - 7_200_000) == twice - 7_200_000
    assert utc_ms(twice, "Europe/Vienna", twice - 3_600_000) == twice - 3_600_000
    assert local_ms(twice - 3_600_000, "Europe/Vienna") == local_ms(twice - 7_200_000, "Europe/Vienna") == twice
    assert offset_ms(twice, "Europe/Vienna", twice - 3_600_000 - 90_000) == 90_000


def test_a_time_with_an_unspecified_part_is_no_time() -> None:
    assert slow.local_ms_of(bytes((125, 10, 26, 7)), bytes((2, 30, 0, 50))) == 1_761_445_800_500
    assert slow.local_ms_of(bytes((255, 10, 26, 7)), bytes((2, 30, 0, 50))) is None
    assert slow.local_ms_of(bytes((125, 10, 26, 255)), bytes((2, 30, 0, 255))) is None
    assert slow.local_ms_of(bytes((125, 13, 26, 7)), bytes((2, 30, 0, 0))) is None
