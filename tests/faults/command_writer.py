"""One life of a commanding process, to be killed at any moment: ``python -m tests.faults.command_writer ORDER``.

It commands two setpoints of a served plant in a plant time that runs faster, and looks after them until all is over.
"""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path

from plantview.clock import ScaledClock
from plantview.commands.targets import targets
from plantview.errors import CommandRefused
from tests.unit.command_rig import BACNET, MODBUS, Rig, plant_of_two

SPEED = 30.0
LEASE_S = 20.0
TICK_S = 0.5


async def main(order: dict[str, object]) -> None:
    plant = plant_of_two(int(str(order["bacnet"])), int(str(order["modbus"])))
    clock = ScaledClock(SPEED, int(str(order["began_ms"])))
    async with targets(plant) as equipment:
        rig = Rig(Path(str(order["folder"])), equipment, plant, clock)
        await rig.desk.tick()
        if order["command"]:
            await _command(rig, clock)
        while any(one.ours for one in rig.desk.keeper.overrides.values()):
            await rig.desk.tick()
            await clock.sleep(TICK_S)
        await rig.desk.tick()
    _say("over")


async def _command(rig: Rig, clock: ScaledClock) -> None:
    for point, value in ((BACNET, 45.0), (MODBUS, 45.5)):
        try:
            await rig.arm(rig.plant.points[point].equipment)
            staged = await rig.stage(point, value, seconds=LEASE_S)
            await clock.sleep(1.5)
            _say("commit")
            await rig.commit(staged)
        except CommandRefused as refusal:
            _say(f"refused {refusal.rule}")
        await rig.desk.tick()


def _say(what: str) -> None:
    sys.stdout.write(what + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    asyncio.run(main(json.loads(sys.argv[1])))
