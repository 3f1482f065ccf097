"""What acquisition costs and whether it holds its promises: one row per figure, compared within one run.

python tests/bench/acquisition.py           about a minute and a half
python tests/bench/acquisition.py --full    the long forms: 120 s with a dead unit, three times
"""

from __future__ import annotations

import argparse
import asyncio
import os
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pymodbus.client import AsyncModbusTcpClient

from plantview.clock import SystemClock
from plantview.config.ports import free_port
from plantview.drivers.bacnet_codec import object_key_of
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.bacnet_reader import BacnetReader, ObjectBatch
from plantview.drivers.modbus_decode import decoder
from plantview.drivers.modbus_reader import ModbusReader
from plantview.model.plant import Adapter
from plantview.model.point import ModbusAddress
from plantview.model.reading import Batch
from plantview.polling import Polling
from plantview.polling.modbus_station import ModbusStation
from plantview.polling.outcome import reading_of
from tests.bench.rows import Row, ratio_heading
from tests.faults import modbus_device as raw
from tests.faults.polled import bacnet_device, modbus_device, object_point, plant_of, register_point
from tests.interop.peers.libmodbus import compiled

HERE = Path(__file__).parent
LOOPBACK = "127.0.0.1"
OBJECTS, BATCH = 200, 60
REGISTERS = 2_000


@contextmanager
def process(*words: str) -> Iterator[None]:
    """Run a server that says ready, and end it by closing its standard input."""
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdin is not None
        assert server.stdout is not None
        if server.stdout.readline().strip() != "ready":
            raise SystemExit(f"{words[0]} did not start")
        try:
            yield
        finally:
            server.stdin.close()
            try:
                server.wait(5)
            except subprocess.TimeoutExpired:
                server.kill()


def ports_in_a_row(count: int) -> int:
    """Return the first of so many UDP ports that were free a moment ago."""
    for first in range(34_000, 60_000, count):
        probes = []
        try:
            for port in range(first, first + count):
                probe = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
                probes.append(probe)
                probe.bind((LOOPBACK, port))
        except OSError:
            continue
        finally:
            for probe in probes:
                probe.close()
        return first
    raise SystemExit("no ports")


async def cpu_per_point(sweep: Callable[[], Awaitable[None]], points: int, *, sweeps: int) -> float:
    """Return microseconds of this process's CPU per point: the median of so many sweeps, after one to warm up."""
    await sweep()
    costs = []
    for _ in range(sweeps):
        begin = time.process_time()
        await sweep()
        costs.append(time.process_time() - begin)
    return 1e6 * statistics.median(costs) / points


# --- BACnet: one way of reading per child process ----------------------------------------------
async def ours(port: int) -> float:
    """Return our cost: present-value and status flags, 60 objects a request."""
    async with BacnetNetwork(Adapter(f"{LOOPBACK}/8", 0)) as network:
        reader = BacnetReader(network, bacnet_device("D", port, 1_000, timeout_s=2.0))
        keys = [object_key_of("analog-input", number) for number in range(1, OBJECTS + 1)]
        batches = [ObjectBatch(keys[at : at + BATCH]) for at in range(0, OBJECTS, BATCH)]

        async def sweep() -> None:
            for batch in batches:
                await reader.read(batch)

        return await cpu_per_point(sweep, OBJECTS, sweeps=60)


async def typed(port: int) -> float:
    """Return the cost of bacpypes3's own typed ReadPropertyMultiple for the same."""
    from bacpypes3.basetypes import PropertyIdentifier
    from bacpypes3.ipv4.app import NormalApplication
    from bacpypes3.local.device import DeviceObject
    from bacpypes3.pdu import Address, IPv4Address
    from bacpypes3.primitivedata import ObjectIdentifier

    own = DeviceObject(objectIdentifier=("device", 1), objectName="c", vendorIdentifier=0, maxApduLengthAccepted=1476)
    client = NormalApplication(own, IPv4Address(f"{LOOPBACK}:0"))
    to = Address(f"{LOOPBACK}:{port}")
    asked = [PropertyIdentifier("present-value"), PropertyIdentifier("status-flags")]
    groups = [
        [
            part
            for number in range(at + 1, min(at + BATCH, OBJECTS) + 1)
            for part in (ObjectIdentifier(("analog-input", number)), asked)
        ]
        for at in range(0, OBJECTS, BATCH)
    ]

    async def sweep() -> None:
        for group in groups:
            await client.read_property_multiple(to, group)

    try:
        return await cpu_per_point(sweep, OBJECTS, sweeps=10)
    finally:
        client.close()


async def browsed(port: int) -> float:
    """Return the cost of BAC0's read, one present-value after the other."""
    import BAC0  # type: ignore[import-untyped]

    BAC0.log_level("silence")
    client = BAC0.start(ip=f"{LOOPBACK}/8", port=free_port(socket.SOCK_DGRAM), deviceId=3)
    await asyncio.sleep(0.5)

    async def sweep() -> None:
        for number in range(1, 51):
            await client.read(f"{LOOPBACK}:{port} analogInput {number} presentValue")

    return await cpu_per_point(sweep, 50, sweeps=4)


WAYS = {"ours": ours, "typed": typed, "browsed": browsed}


def in_child(way: str, port: int) -> float:
    """Measure one way in a fresh process, in an empty folder: BAC0 leaves files where it runs."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "HOME": folder}
        words = [sys.executable, str(Path(__file__).resolve()), "--way", way, "--port", str(port)]
        done = subprocess.run(
            words, cwd=folder, env=environment, capture_output=True, text=True, timeout=120, check=False
        )
    try:
        return float(done.stdout.strip().splitlines()[-1])
    except (IndexError, ValueError):
        raise SystemExit(f"{way} failed: {done.stderr[-2_000:]}") from None


def bacnet_cost() -> Iterator[Row]:
    """Yield CPU per point against the two others."""
    port = ports_in_a_row(1)
    with process(sys.executable, str(HERE / "fleet.py"), str(port), "1", str(OBJECTS)):
        cost = {way: statistics.median(in_child(way, port) for _ in range(3 if way == "ours" else 1)) for way in WAYS}
    for other, name, limit in (("typed", "bacpypes3 typed RPM", 1 / 12), ("browsed", "BAC0 read", 1 / 60)):
        yield against(f"BACnet CPU per point, value + flags, against {name}", cost["ours"], cost[other], "us", limit)


# --- BACnet: a fleet --------------------------------------------------------------------------
async def lag_p99_ms(seconds: float) -> float:
    """Return how late a task that wants to run every 5 ms runs, at its 99th percentile."""
    loop, late = asyncio.get_running_loop(), []
    end = loop.time() + seconds
    while (now := loop.time()) < end:
        await asyncio.sleep(0.005)
        late.append(1_000 * (loop.time() - now - 0.005))
    return statistics.quantiles(late, n=100)[98]


async def fleet(seconds: float) -> list[Row]:
    """Poll 5,000 points of 25 devices every 5 s, three of them dead."""
    devices, live = 25, 22
    first = ports_in_a_row(devices)
    with process(sys.executable, str(HERE / "fleet.py"), str(first), str(live), str(OBJECTS)):
        described = [
            bacnet_device(f"D{place}", first + place, 1_000 + place, period_s=5.0, timeout_s=1.0)
            for place in range(devices)
        ]
        points = [
            object_point(f"{one.id}-{number}", one, f"analog-input,{number}")
            for one in described
            for number in range(1, OBJECTS + 1)
        ]
        heard: dict[str, int] = {}

        def take(batch: Batch) -> None:
            for name in batch.readings:
                heard[name] = heard.get(name, 0) + 1

        polling = Polling(plant_of(described, points), SystemClock(), take)
        idle_ms = statistics.median([await lag_p99_ms(1.0) for _ in range(5)])
        task = asyncio.create_task(polling.run())
        begin_cpu = time.process_time()
        busy_ms = statistics.median([await lag_p99_ms(seconds / 5) for _ in range(5)])
        cpu_pct = 100 * (time.process_time() - begin_cpu) / seconds
        health = polling.health()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    alive = [row for row in health if row["state"] == "answering"]
    skipped = sum(row["skipped"] for row in alive)
    expected = int(seconds // 5)
    fewest = min(heard.get(f"D{place}-{number}.power", 0) for place in range(live) for number in (1, OBJECTS))
    on_time = len(alive) == live and skipped == 0 and fewest >= expected
    above = busy_ms - idle_ms
    return [
        Row(
            f"5,000 points at 5 s, 3 of 25 dead: cycles in {seconds:g} s",
            f"{fewest} each",
            f"{skipped} skipped",
            None,
            f">= {expected}, 0 skipped",
            on_time,
        ),
        Row(
            "  loop lag p99, above an idle loop's (median of 5)",
            f"{above:.1f} ms",
            f"{idle_ms:.1f} ms idle",
            None,
            "<= 10 ms",
            above <= 10,
        ),
        Row("  CPU of one core, this measurement included", f"{cpu_pct:.1f} %", "", None, "<= 15 %", cpu_pct <= 15),
    ]


# --- Modbus -----------------------------------------------------------------------------------
class Registers:
    """Ways to read 2,000 registers of one server, each a sweep."""

    def __init__(self, port: int) -> None:
        device = modbus_device("D", port, 1, period_s=5.0, timeout_s=2.0)
        self.points = [register_point(f"P{first}", device, f"holding {first}") for first in range(REGISTERS)]
        self.decode = [decoder(point.address) for point in self.points if isinstance(point.address, ModbusAddress)]
        self.reader = ModbusReader(LOOPBACK, port)
        self.station = ModbusStation(device, self.points, self.reader, SystemClock(), lambda _: None)
        self.bare = AsyncModbusTcpClient(LOOPBACK, port=port, retries=0, reconnect_delay=0)

    async def as_readings(self) -> None:
        await self.station.poll(5.0)

    async def our_blocks(self) -> None:
        for first in range(0, REGISTERS, 125):
            await self.reader.read("D", 1, "holding", first, 125, within_s=2.0)

    async def as_readings_one_by_one(self) -> None:
        for first, point in enumerate(self.points):
            words = await self.reader.read("D", 1, "holding", first, 1, within_s=2.0)
            reading_of(point, self.decode[first](words), 0)

    async def bare_blocks(self) -> None:
        for first in range(0, REGISTERS, 125):
            await self._bare(first, 125)

    async def bare_one_by_one(self) -> None:
        for first in range(REGISTERS):
            await self._bare(first, 1)

    async def bare_converted(self) -> None:
        for first in range(0, REGISTERS, 125):
            for word in await self._bare(first, 125):
                self.bare.convert_from_registers([word], self.bare.DATATYPE.UINT16)

    async def _bare(self, first: int, count: int) -> list[int]:
        return list((await self.bare.read_holding_registers(first, count=count, device_id=1)).registers)

    def close(self) -> None:
        self.bare.close()
        self.reader.close()


async def modbus_cost() -> list[Row]:
    """Compare a sweep of 2,000 registers with one register at a time, and with bare blocks of pymodbus."""
    port = free_port(socket.SOCK_STREAM)
    with process(str(compiled()), str(port)):
        ways = Registers(port)
        await ways.bare.connect()
        await ways.as_readings()
        wall = {
            work: min([await _wall_s(work) for _ in range(count)])
            for work, count in (
                (ways.our_blocks, 20),
                (ways.as_readings, 20),
                (ways.bare_one_by_one, 3),
                (ways.as_readings_one_by_one, 3),
            )
        }
        cpu = {
            work: await cpu_per_point(work, REGISTERS, sweeps=30)
            for work in (
                ways.our_blocks,
                ways.bare_blocks,
                ways.as_readings,
                ways.bare_converted,
            )
        }
        ways.close()
    return [
        against(
            "Modbus: 2,000 registers swept, against pymodbus one by one",
            1e3 * wall[ways.our_blocks],
            1e3 * wall[ways.bare_one_by_one],
            "ms",
            1 / 60,
        ),
        against(
            "Modbus: 2,000 points as readings, against the same one by one",
            1e3 * wall[ways.as_readings],
            1e3 * wall[ways.as_readings_one_by_one],
            "ms",
            1 / 60,
        ),
        against(
            "Modbus CPU per point: our reader, against pymodbus blocks",
            cpu[ways.our_blocks],
            cpu[ways.bare_blocks],
            "us",
            1.5,
        ),
        against(
            "  as readings, against pymodbus blocks and its converter",
            cpu[ways.as_readings],
            cpu[ways.bare_converted],
            "us",
            1.5,
        ),
    ]


def against(name: str, measured: float, compared: float, unit: str, limit: float) -> Row:
    """Return the row of a ratio."""
    goal = f"<= {limit:g}" if limit >= 1 else f"<= 1/{round(1 / limit)}"
    return Row(
        name,
        f"{measured:.2f} {unit}",
        f"{compared:.2f} {unit}",
        measured / compared,
        goal,
        measured / compared <= limit,
    )


async def _wall_s(work: Callable[[], Awaitable[None]]) -> float:
    begin = time.perf_counter()
    await work()
    return time.perf_counter() - begin


async def fairness(seconds: float, *, dead: bool) -> float:
    """Return reads a second of the fewest-read live unit behind a gateway whose line one unit blocks for a second."""
    line = asyncio.Lock()

    async def answer(device: raw.Device, request: raw.Request) -> bytes:
        async with line:
            await asyncio.sleep(1.0 if dead and request.unit == 2 else 0.02)
        return b"" if dead and request.unit == 2 else raw.honest(device, request)

    async with _gateway(answer) as port:
        units = [modbus_device(f"U{number}", port, number, period_s=2.0, timeout_s=1.5) for number in (1, 2, 3, 4)]
        counts: dict[str, int] = {}

        def take(batch: Batch) -> None:
            for name in batch.readings:
                counts[name] = counts.get(name, 0) + 1

        task = asyncio.create_task(
            Polling(
                plant_of(units, [register_point(f"P{one.unit}", one, "holding 100") for one in units]),
                SystemClock(),
                take,
            ).run()
        )
        await asyncio.sleep(seconds)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    return min(counts.get(f"P{unit}.power", 0) for unit in (1, 3, 4)) / seconds


class _gateway:  # noqa: N801 - used as a with statement
    """A raw Modbus TCP server whose answers may take time."""

    def __init__(self, answer: Callable[[raw.Device, raw.Request], Awaitable[bytes]]) -> None:
        self._answer = answer

    async def __aenter__(self) -> int:
        self._device = raw.Device(raw.honest)
        self._serving: set[asyncio.Task[object]] = set()
        self._server = await asyncio.start_server(self._serve, LOOPBACK, 0)
        port: int = self._server.sockets[0].getsockname()[1]
        return port

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        await asyncio.wait(self._serving, timeout=5.0)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if (task := asyncio.current_task()) is not None:
            self._serving.add(task)
        try:
            while True:
                transaction, _, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
                pdu = await reader.readexactly(length - 1)
                writer.write(
                    await self._answer(
                        self._device, raw.Request(transaction, unit, pdu[0], *struct.unpack(">HH", pdu[1:5]))
                    )
                )
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()


async def dead_unit(seconds: float, times: int) -> Row:
    """Compare the reads of live units with and without a dead neighbour."""
    without = await fairness(min(seconds, 20.0), dead=False)
    with_it = statistics.median([await fairness(seconds, dead=True) for _ in range(times)])
    kept = with_it / without
    return Row(
        f"Modbus: one dead unit of four, {seconds:g} s (median of {times})",
        f"{with_it:.2f} reads/s",
        f"{without:.2f} reads/s",
        kept,
        ">= 0.95",
        kept >= 0.95,
    )


def main() -> None:
    """Print the table."""
    words = argparse.ArgumentParser()
    words.add_argument("--full", action="store_true")
    words.add_argument("--way", choices=tuple(WAYS))
    words.add_argument("--port", type=int, default=0)
    given = words.parse_args()
    if given.way:
        print(asyncio.run(WAYS[given.way](given.port)))
        return
    print(ratio_heading())
    for row in bacnet_cost():
        print(row, flush=True)
    for row in asyncio.run(modbus_cost()):
        print(row, flush=True)
    for row in asyncio.run(fleet(50.0 if given.full else 16.0)):
        print(row, flush=True)
    print(asyncio.run(dead_unit(120.0, 3) if given.full else dead_unit(24.0, 1)), flush=True)


if __name__ == "__main__":
    main()
