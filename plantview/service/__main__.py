"""One process of a plant, as the supervisor orders it: ``python -m plantview.service ORDER``."""

from __future__ import annotations

import asyncio
import fcntl
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from plantview.config.order import Order
from plantview.errors import StartRefused
from plantview.process import run_process, say, start_log
from plantview.service.field import Field
from plantview.simulator.faults import parse_fault
from plantview.simulator.plant import SimulatedPlant
from plantview.simulator.serve import serve


@contextmanager
def owned(folder: Path) -> Iterator[None]:
    """Hold the data folder for this process alone; StartRefused names the process that has it."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("a+", encoding="utf-8") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            lock.seek(0)
            owner = lock.read().strip() or "unknown"
            raise StartRefused(
                f"the data folder {folder} is in use by process {owner}; stop that one, or give another folder with --data"
            ) from None
        lock.truncate(0)
        lock.write(str(os.getpid()))
        lock.flush()
        yield


async def _run_field(order: Order, stop: asyncio.Event) -> None:
    with owned(Path(order.data)):
        await Field(order.load(), Path(order.data), order.clock()).run(stop)


async def _run_simulator(order: Order, stop: asyncio.Event) -> None:
    plant, clock = order.load(), order.clock()
    simulated = await asyncio.to_thread(SimulatedPlant, plant, clock.now_ms())
    faults = [parse_fault(text) for text in order.faults]
    ready = asyncio.Event()
    async with asyncio.TaskGroup() as group:
        serving = group.create_task(serve(simulated, plant, clock, faults=faults, ready=ready))
        await ready.wait()
        say(ready="simulator", devices=sorted(plant.devices))
        await stop.wait()
        serving.cancel()


ROLES = {"field": _run_field, "simulator": _run_simulator}


def main(argument: str) -> int:
    """Run one process as ordered; return its exit code."""
    order = Order.read(argument)
    start_log(Path(order.data), order.role)
    return run_process(lambda stop: ROLES[order.role](order, stop))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
