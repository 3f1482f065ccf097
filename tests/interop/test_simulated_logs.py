"""Trend logs of the simulated controllers as an independent client reads them.

ReadRange by position, by sequence number and by time: ANSI/ASHRAE 135, clause 15.8; log records:
clause 21, BACnetLogRecord. The reader is rusty-bacnet, which shares nothing with the stack that serves.
"""

from __future__ import annotations

import math
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

import pytest
from rusty_bacnet import (
    BACnetClient,
    BacnetProtocolError,
    ObjectIdentifier,
    ObjectType,
    PropertyIdentifier,
    PropertyValue,
)

from plantview.clock import ManualClock
from plantview.model.plant import Plant
from plantview.simulator.devices import Rig, rig
from tests.interop.simulated import StillPlant, larkfield

P = PropertyIdentifier
TEMPERATURE = "cwp-out.temp"
HOUR_MS = 3_600_000
START_MS = 1_764_000_000_000  # 2025-11-24 16:00 UTC, 10:00 in Chicago
READ_ACCESS_DENIED, VALUE_OUT_OF_RANGE = 27, 37
FLAG_OF_NO_SENSOR = 0x40
MINUTE = 60


@dataclass
class Scene:
    client: BACnetClient
    plant: Plant
    devices: Rig
    still: StillPlant
    clock: ManualClock

    @property
    def address(self) -> str:
        return self.plant.devices["BC-1"].address

    async def pass_minutes(self, count: int, first: float = 70.0) -> None:
        """Let minutes pass; the temperature counts them in eighths of a degree."""
        for minute in range(count):
            await self.clock.advance(MINUTE)
            self.still.values[TEMPERATURE] = first + minute / 8
            self.devices.refresh()

    async def log(self) -> ObjectIdentifier:
        """Return the log whose name says that it is the temperature's."""
        device = ObjectIdentifier(ObjectType.DEVICE, self.plant.devices["BC-1"].unit)
        objects = (await self.client.read_property(self.address, device, P.OBJECT_LIST)).value
        for item in objects:
            if item.object_type == ObjectType.TREND_LOG:
                name = (await self.client.read_property(self.address, item, P.OBJECT_NAME)).value
                if name == f"{TEMPERATURE}.log":
                    return ObjectIdentifier(ObjectType.TREND_LOG, item.instance)
        raise AssertionError("it has no log")

    async def part(self, **which: Any) -> dict[str, Any]:
        answer: Any = await self.client.read_range(self.address, await self.log(), P.LOG_BUFFER, **which)
        assert answer["violations"] == []
        return dict(answer)


@asynccontextmanager
async def scene() -> AsyncIterator[Scene]:
    plant, clock = larkfield(), ManualClock(START_MS)
    still = StillPlant(plant)
    still.values[TEMPERATURE] = 69.5
    client = BACnetClient("127.0.0.1", 0, "127.255.255.255", apdu_timeout_ms=2_000)
    async with rig(plant, still, clock) as devices, client:
        yield Scene(client, plant, devices, still, clock)


def temperatures(part: dict[str, Any]) -> list[tuple[str, float, int]]:
    """Return (time, value, flags) of records as clause 21 lays them out: [0] date and time, [1] [2] REAL, [2] flags."""
    data, rows = bytes(part["item_data"]), []
    for at in range(0, len(data), 22):
        record = data[at : at + 22]
        assert (record[0], record[1], record[6], record[11]) == (0x0E, 0xA4, 0xB4, 0x0F), record.hex(" ")
        assert record[12:14] == b"\x1e\x2c"
        assert record[18:21] == b"\x1f\x2a\x04"
        hour, minute, second, _ = record[7:11]
        rows.append((f"{hour:02}:{minute:02}:{second:02}", struct.unpack(">f", record[14:18])[0], record[21]))
    assert len(rows) == part["item_count"]
    return rows


async def test_a_log_says_what_it_records_and_how_much_it_has() -> None:
    async with scene() as now:
        await now.pass_minutes(9)
        log = await now.log()
        read = {what: (await now.client.read_property(now.address, log, what)).value for what in
                (P.RECORD_COUNT, P.TOTAL_RECORD_COUNT, P.BUFFER_SIZE, P.LOG_INTERVAL, P.LOG_ENABLE)}  # fmt: skip
        watched: Any = (await now.client.read_property(now.address, log, P.LOG_DEVICE_OBJECT_PROPERTY)).value
        with pytest.raises(BacnetProtocolError) as caught:
            await now.client.read_property(now.address, log, P.LOG_BUFFER)
    assert list(read.values()) == [10, 10, 1_000, 6_000, True]  # the one at switching on, and nine
    assert watched["object_identifier"] == ObjectIdentifier(ObjectType.ANALOG_INPUT, 24)
    assert int(caught.value.error_code) == READ_ACCESS_DENIED


async def test_records_bear_the_devices_local_time_and_the_flags_of_their_moment() -> None:
    async with scene() as now:
        await now.pass_minutes(2)
        now.still.values[TEMPERATURE] = math.nan
        await now.clock.advance(MINUTE)
        now.devices.refresh()
        rows = temperatures(await now.part())
    assert rows == [
        ("10:00:00", 69.5, 0), ("10:01:00", 70.0, 0), ("10:02:00", 70.125, 0), ("10:03:00", 70.125, FLAG_OF_NO_SENSOR),
    ]  # fmt: skip


async def test_by_position_onwards_and_back() -> None:
    async with scene() as now:
        await now.pass_minutes(9)
        onwards = await now.part(range_type="position", reference_index=2, count=3)
        back = await now.part(range_type="position", reference_index=10, count=-2)
        nowhere = await now.part(range_type="position", reference_index=11, count=1)
    assert [row[0] for row in temperatures(onwards)] == ["10:01:00", "10:02:00", "10:03:00"]
    assert onwards["first_sequence_number"] is None
    assert onwards["result_flags"] == (False, False, False)
    assert [row[0] for row in temperatures(back)] == ["10:08:00", "10:09:00"]
    assert back["result_flags"] == (False, True, False)
    assert (nowhere["item_count"], nowhere["result_flags"]) == (0, (False, False, False))


async def test_by_sequence_number_page_by_page_until_the_last_item() -> None:
    async with scene() as now:
        await now.pass_minutes(129)
        sequence, rows, pages = 1, [], 0
        while True:
            page = await now.part(range_type="sequence", reference_seq=sequence, count=100)
            assert page["first_sequence_number"] == sequence
            rows += temperatures(page)
            pages += 1
            sequence += page["item_count"]
            if page["result_flags"][1]:
                break
            assert pages < 10
        beyond = await now.part(range_type="sequence", reference_seq=131, count=1)
    assert [value for _, value, _ in rows] == [69.5, *(70 + minute / 8 for minute in range(129))]
    assert pages == 3  # a controller of 1024 octets: 45 records of 22 octets fit one answer
    assert beyond["item_count"] == 0


async def test_an_answer_that_does_not_hold_all_says_that_there_is_more() -> None:
    async with scene() as now:
        await now.pass_minutes(129)
        everything = await now.part()
    assert everything["result_flags"] == (True, False, True)
    assert everything["item_count"] == 45


async def test_by_time_only_what_is_newer_or_older() -> None:
    async with scene() as now:
        await now.pass_minutes(9)
        at = ((2025, 11, 24, 1), (10, 4, 0, 0))
        newer = await now.part(range_type="time", reference_time=at, count=3)
        older = await now.part(range_type="time", reference_time=at, count=-2)
        future = await now.part(range_type="time", reference_time=((2025, 11, 24, 1), (23, 0, 0, 0)), count=5)
    assert [row[0] for row in temperatures(newer)] == ["10:05:00", "10:06:00", "10:07:00"]
    assert newer["first_sequence_number"] == 6
    assert [row[0] for row in temperatures(older)] == ["10:02:00", "10:03:00"]
    assert future["item_count"] == 0


async def test_a_full_buffer_forgets_the_oldest_and_its_numbers_go_on() -> None:
    async with scene() as now:
        await now.pass_minutes(1_004)
        log = await now.log()
        count = (await now.client.read_property(now.address, log, P.RECORD_COUNT)).value
        total = (await now.client.read_property(now.address, log, P.TOTAL_RECORD_COUNT)).value
        oldest = await now.part(range_type="position", reference_index=1, count=1)
        by_number = await now.part(range_type="sequence", reference_seq=6, count=1)
        gone = await now.part(range_type="sequence", reference_seq=5, count=1)
    assert (count, total) == (1_000, 1_005)
    assert temperatures(oldest) == temperatures(by_number)
    assert by_number["result_flags"] == (True, False, False)
    assert gone["item_count"] == 0


async def test_after_a_power_failure_the_records_are_there_and_the_gap_is_marked() -> None:
    async with scene() as now:
        await now.pass_minutes(3)
        await now.devices.stop("BC-1")
        await now.pass_minutes(10)
        await now.devices.start("BC-1")
        await now.pass_minutes(1)
        part = await now.part()
    data = bytes(part["item_data"])
    assert part["item_count"] == 4 + 1 + 2
    interruption = data[4 * 22 : 4 * 22 + 17]
    assert interruption[12:] == bytes.fromhex("1E 0A 05 20 1F")  # log-status: log-interrupted
    assert interruption[7:9] == bytes((10, 13))


@pytest.mark.outsider_writes
async def test_a_log_is_emptied_by_a_record_count_of_zero_and_by_no_other() -> None:
    async with scene() as now:
        await now.pass_minutes(5)
        log = await now.log()
        with pytest.raises(BacnetProtocolError) as caught:
            await now.client.write_property(now.address, log, P.RECORD_COUNT, PropertyValue.unsigned(3))
        assert int(caught.value.error_code) == VALUE_OUT_OF_RANGE
        await now.client.write_property(now.address, log, P.RECORD_COUNT, PropertyValue.unsigned(0))
        part = await now.part()
    assert part["item_count"] == 1
    assert bytes(part["item_data"])[12:] == bytes.fromhex("1E 0A 05 40 1F")  # log-status: buffer-purged


@pytest.mark.outsider_writes
async def test_a_log_that_is_switched_off_records_nothing_but_that() -> None:
    async with scene() as now:
        log = await now.log()
        await now.client.write_property(now.address, log, P.LOG_ENABLE, PropertyValue.boolean(False))
        await now.pass_minutes(5)
        part = await now.part()
    assert part["item_count"] == 2
    assert bytes(part["item_data"])[22 + 12 :] == bytes.fromhex("1E 0A 05 80 1F")  # log-status: log-disabled


async def test_a_list_that_is_no_log_and_an_object_that_does_not_exist_are_refused() -> None:
    async with scene() as now:
        for item, what in (
            (ObjectIdentifier(ObjectType.ANALOG_INPUT, 24), P.PRESENT_VALUE),
            (ObjectIdentifier(ObjectType.TREND_LOG, 999), P.LOG_BUFFER),
        ):
            with pytest.raises(BacnetProtocolError):
                await now.client.read_range(now.address, item, what)
