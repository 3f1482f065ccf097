"""The devices of a plant in a process of their own, and when which value changed.

Usage: python tests/bench/web_devices.py PLANT_DIR POINT,POINT… It prints "ready", then one line of JSON per change of
a named point; every other number changes once per second. "stop DEVICE" on standard input switches a device off, which is
said too; the end of standard input ends it.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from plantview.config import load_plant
from plantview.model.plant import Plant
from plantview.simulator.devices import rig
from plantview.simulator.devices.rig import Rig
from tests.interop.simulated import StillPlant

HOLD_S = 2.37
"""How long a named point keeps its number: longer than two polls, and no multiple of one."""
FIRST_DEGF, STEPS = 40.0, 400


def fahrenheit(step: int) -> str:
    """Return what the page shows of a named point at a step."""
    return f"{FIRST_DEGF + step % STEPS / 10:.1f}"


class Changing:
    """A still plant that is moved."""

    def __init__(self, plant: Plant, named: list[str]) -> None:
        self.still = StillPlant(plant)
        self._named = named
        self._numbers = [point.name for point in plant.points.values() if not point.states and point.name not in named]
        self._turn = 0

    def beat(self) -> None:
        """Move every number that is not named."""
        self._turn += 1
        for place, name in enumerate(self._numbers):
            self.still.values[name] = 40.0 + (place + 3 * self._turn) % 97 / 8

    async def others(self, devices: Rig) -> None:
        """Move them once per second."""
        while True:
            self.beat()
            devices.refresh()
            await asyncio.sleep(1.0)

    async def one(self, devices: Rig, place: int) -> None:
        """Move one named point at moments of its own, and say when."""
        name, step = self._named[place], 0
        await asyncio.sleep(HOLD_S * place / len(self._named))
        while True:
            step += 1
            self.still.values[name] = (float(fahrenheit(step)) - 32.0) / 1.8
            devices.refresh()
            print(json.dumps({"point": name, "text": fahrenheit(step), "at_ms": time.time() * 1e3}), flush=True)
            await asyncio.sleep(HOLD_S)


async def main(folder: Path, named: list[str]) -> None:
    """Serve until standard input ends."""
    plant = load_plant(folder)
    changing = Changing(plant, named)
    changing.beat()
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    async with rig(plant, changing.still) as devices, asyncio.TaskGroup() as group:
        print("ready", flush=True)
        moving = [group.create_task(changing.others(devices))]
        moving += [group.create_task(changing.one(devices, place)) for place in range(len(named))]
        while line := await reader.readline():
            device = line.decode().split()[1]
            await devices.stop(device)
            print(json.dumps({"point": device, "text": "stopped", "at_ms": time.time() * 1e3}), flush=True)
        for task in moving:
            task.cancel()


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), sys.argv[2].split(",")))
