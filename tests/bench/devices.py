"""CPU of simulated devices that are polled every second: python tests/bench/devices.py [--full].

Each figure is the CPU of this process, in which the devices are served, while another process asks; compared within one run
with the same devices that nobody asks.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import resource
import signal
import socket
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parents[2]))

from plantview.clock import SystemClock
from plantview.config import load_plant
from plantview.config.ports import free_port
from plantview.model.plant import Plant
from plantview.model.point import BacnetAddress
from plantview.simulator.devices import Rig, rig

LARKFIELD: Final = Path(__file__).parents[2] / "config" / "larkfield"
PERIOD_S: Final = 1.0
PERIODS, PERIODS_FULL = 12, 60
PER_REQUEST: Final = 30
GOAL_POLLED_PCT: Final = 1.0
GOAL_IDLE_PCT: Final = 0.5


class Moving:
    """A plant whose every analog value moves every second, which is more than real ones do."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._second = 0

    def reported(self) -> dict[str, float]:
        self._second += 1
        return {
            name: float(min(point.states)) if point.states else 50.0 + math.sin(self._second / 7 + at)
            for at, (name, point) in enumerate(self._plant.points.items())
        }

    def step(self, dt_s: float) -> None:
        raise NotImplementedError

    def command(self, point: str, value: float | None) -> None:
        raise NotImplementedError

    def inject(self, fault: object) -> None:
        raise NotImplementedError


def cpu_s() -> float:
    """Return the CPU seconds that this process has used."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def bacnet_only(plant: Plant) -> Plant:
    """Return the plant's BACnet controllers on free ports."""
    devices = {
        name: replace(device, port=free_port(socket.SOCK_DGRAM))
        for name, device in plant.devices.items()
        if device.protocol == "bacnet"
    }
    points = {name: point for name, point in plant.points.items() if point.device in devices}
    return replace(plant, devices=devices, points=points)


def requests(plant: Plant) -> list[tuple[int, str]]:
    """Return (port, datagram as hex) of a sweep over every point: value, flags and reliability."""
    rows = []
    for device in plant.devices.values():
        addresses = [point.address for point in plant.points.values() if point.device == device.id]
        for at in range(0, len(addresses), PER_REQUEST):
            body = bytes.fromhex("0104 02 05 01 0E")
            for address in addresses[at : at + PER_REQUEST]:
                assert isinstance(address, BacnetAddress)
                body += b"\x0c" + (TYPES[address.object_type] << 22 | address.instance).to_bytes(4, "big")
                body += bytes.fromhex("1E 09 55 09 6F 09 67 1F")
            rows.append((device.port, (b"\x81\x0a" + (len(body) + 4).to_bytes(2, "big") + body).hex()))
    return rows


TYPES: Final = {
    "analog-input": 0, "analog-output": 1, "analog-value": 2, "binary-input": 3, "binary-output": 4, "binary-value": 5,
    "multi-state-input": 13, "multi-state-output": 14, "multi-state-value": 19,
}  # fmt: skip


async def share(devices: Rig, periods: int) -> float:
    """Return the share of one core, in percent, that the devices take while they show a new value every second."""
    begin, since = cpu_s(), time.perf_counter()
    for _ in range(periods):
        await asyncio.sleep(PERIOD_S)
        devices.refresh()
    return 100 * (cpu_s() - begin) / (time.perf_counter() - since)


async def measured(periods: int) -> list[tuple[str, float, str, float]]:
    """Return (name, measured, compared with, goal) of every figure; all goals are upper limits."""
    plant = bacnet_only(load_plant(LARKFIELD))
    async with rig(plant, Moving(plant), SystemClock()) as devices:
        alone = await share(devices, periods)
        command = (sys.executable, __file__, "--ask", json.dumps(requests(plant)))
        asker = await asyncio.create_subprocess_exec(*command, stdout=asyncio.subprocess.PIPE)
        try:
            polled = await share(devices, periods)
        finally:
            asker.terminate()
            asked, answers = map(int, (await asker.communicate())[0].split())
    count, points = len(plant.devices), len(plant.points)
    return [
        (
            "CPU per device at 1 s, asked by nobody, %",
            alone / count,
            f"{points // count} objects, alarms, logs",
            GOAL_IDLE_PCT,
        ),
        (
            "CPU per device at 1 s, every point asked, %",
            polled / count,
            f"{alone / count:.2f} asked by nobody",
            GOAL_POLLED_PCT,
        ),
        ("requests without an answer within 0.5 s", float(asked - answers), f"{asked} requests", 0.0),
    ]


def ask(rows: list[tuple[int, str]]) -> None:
    """Send a sweep every second until stopped, and print how many answers came."""
    asked = answers = 0
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asker:
            asker.settimeout(0.5)
            asker.bind(("127.0.0.1", 0))
            while True:
                due = time.monotonic() + PERIOD_S
                for port, octets in rows:
                    asker.sendto(bytes.fromhex(octets), ("127.0.0.1", port))
                    asked += 1
                    try:
                        answers += asker.recv(2_000)[6] == 0x30
                    except TimeoutError:
                        continue
                time.sleep(max(0.0, due - time.monotonic()))
    except (KeyboardInterrupt, SystemExit):
        print(asked, answers)


def main() -> None:
    """Print one row per figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--full", action="store_true", help=f"{PERIODS_FULL} periods instead of {PERIODS}")
    parser.add_argument("--ask", help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.ask:
        signal.signal(signal.SIGTERM, lambda *_: sys.exit())
        ask(json.loads(arguments.ask))
        return
    for name, value, compared, goal in asyncio.run(measured(PERIODS_FULL if arguments.full else PERIODS)):
        print(f"{name:48} {value:8.2f}  {compared:40} goal <= {goal:g}  {'ok' if value <= goal else 'short'}")


if __name__ == "__main__":
    main()
