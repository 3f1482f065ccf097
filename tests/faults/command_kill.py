"""Real kills: a commanding process is ended by signal 9 at a drawn moment, started again, and its devices are looked at."""

from __future__ import annotations

import asyncio
import json
import random
import signal
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from plantview.audit import verify
from plantview.clock import ManualClock, SystemClock
from plantview.simulator.devices import Rig, rig
from tests.interop.command_places import _Obedient
from tests.interop.simulated import on_free_ports
from tests.unit.command_rig import BACNET, MODBUS, START_MS, plant_of_two

ROOT = Path(__file__).resolve().parents[2]
WINDOW_S = 1.8
"""Real seconds from the first commit to the last release, about."""
LIFE_S_MAX = 60.0


@dataclass
class Killed:
    """One kill and what was wrong afterwards."""

    seed: int
    after_s: float
    writes: int
    wrong: list[str]


async def one_kill(seed: int) -> Killed:
    """Command, kill, start again; return what is wrong with devices, counts and audit."""
    draw = random.Random(seed)
    after_s = draw.uniform(0.0, WINDOW_S)
    plant = on_free_ports(plant_of_two())
    still = _Obedient(plant)
    still.values = {BACNET: 44.0, MODBUS: 44.0, "CWP-1.command": 0.0, "CH-1.chw_flow_proof": 1.0}
    with tempfile.TemporaryDirectory() as folder:
        async with rig(plant, still, ManualClock(START_MS)) as devices:
            order = {
                "folder": folder, "bacnet": plant.devices["BC-1"].port, "modbus": plant.devices["PANEL"].port,
                "began_ms": SystemClock().now_ms(), "command": True,
            }  # fmt: skip
            await _life(order, kill_after_s=after_s)
            for _ in range(draw.randint(0, 1)):
                await _life({**order, "command": False}, kill_after_s=draw.uniform(0.0, 0.4), at_once=True)
            said = await _life({**order, "command": False})
            wrong = [] if said else ["the last life did not come to its end"]
            wrong += _wrong(devices, still, Path(folder))
            return Killed(seed, after_s, devices.writes.count, wrong)


async def _life(order: dict[str, object], kill_after_s: float | None = None, *, at_once: bool = False) -> bool:
    """Run one process; return whether it came to its end by itself. The time counts from its first commit."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.faults.command_writer", json.dumps(order), cwd=ROOT, stdout=asyncio.subprocess.PIPE
    )
    assert process.stdout is not None
    try:
        async with asyncio.timeout(LIFE_S_MAX):
            if kill_after_s is None:
                return b"over" in await process.stdout.read() and await process.wait() == 0
            if not at_once:
                await process.stdout.readline()
            await asyncio.sleep(kill_after_s)
    finally:
        if process.returncode is None:
            process.send_signal(signal.SIGKILL)
            await process.wait()
    return False


def _wrong(devices: Rig, still: _Obedient, folder: Path) -> list[str]:
    wrong = []
    found = devices.controller("BC-1")._contents.by_identifier()  # type: ignore[union-attr]
    setpoint: Any = next(one for one in found.values() if str(one.objectIdentifier) == "analog-value,1")
    held = [at for at, entry in enumerate(setpoint.priorityArray, 1) if entry.null is None]
    if held:
        wrong.append(f"forgotten: priority {held} is held")
    if still.values[MODBUS] != 44.0:
        wrong.append(f"forgotten: the register shows {still.values[MODBUS]}")
    by_point: dict[str, list[str]] = {}
    for request in devices.writes.last:
        by_point.setdefault(request.device, []).append(request.value)
    for device, values in by_point.items():
        if len(values) not in {0, 2} or len(set(values)) != len(values):
            wrong.append(f"{device} was written {values}")
    verdict = verify(folder, folder / "audit-anchor")
    if not verdict.holds:
        wrong.append(verdict.wrong)
    return wrong
