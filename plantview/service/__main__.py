"""One process of a plant, as the supervisor orders it: ``python -m plantview.service ORDER``."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from plantview.config.order import Order
from plantview.process import owned, run_process, say, start_log
from plantview.service.field import Field
from plantview.service.past_day import offer_past
from plantview.service.past_field import PastField
from plantview.simulator.faults import parse_fault
from plantview.simulator.plant import SimulatedPlant
from plantview.simulator.serve import serve


async def _run_field(order: Order, stop: asyncio.Event) -> None:
    if order.looking_back:
        await PastField(order.load(), Path(order.data), order.clock()).run(stop)
        return
    with owned(Path(order.data)):
        field = Field(order.load(), Path(order.data), order.clock())
        async with asyncio.TaskGroup() as group:
            past = group.create_task(
                offer_past(order, field.history, field.started_ms, list(field.plant.points), stop), name="past"
            )
            await field.run(stop)
            past.cancel()


async def _run_simulator(order: Order, stop: asyncio.Event) -> None:
    plant, clock = order.load(), order.clock()
    simulated = await asyncio.to_thread(SimulatedPlant, plant, clock.now_ms(), cold=order.cold)
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
