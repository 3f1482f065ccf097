"""``plantview simulate --console``: break and mend a simulated plant from the terminal while it is served."""

from __future__ import annotations

import asyncio
import math
import signal
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Final

from plantview.config.order import Order
from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.simulator.devices.device_faults import check_device_fault, is_device_fault
from plantview.simulator.fault_kinds import FAULTS
from plantview.simulator.faults import Fault, UnknownFault, parse_fault, place_fault
from plantview.simulator.plant import SimulatedPlant
from plantview.simulator.serve import serve

LINES_MAX: Final = 60
DEVICE_FAULTS_MAX: Final = 50
PROMPT: Final = "plant> "
HELP: Final = """\
kinds [WORD]            what can break, with an example of each
break KIND:TARGET…      let it happen now, for example: break pump-trip:CWP-1  or  break device-silent:BC-1+120
broken                  what is broken, numbered
mend NUMBER | all       put it right
machines                how the chillers and pumps do
look [WORD]             values of the points whose name contains it
set POINT VALUE         hold a point at a value in its unit, as an operator would
release POINT           give it back to the plant's own controller
help                    this text
leave                   stop the plant\
"""


class Console:
    """Answers one line after the other."""

    def __init__(self, simulated: SimulatedPlant, of_devices: list[Fault] | None = None) -> None:
        self._simulated = simulated
        self._of_devices = [] if of_devices is None else of_devices
        """Faults of devices that are there now; whoever serves the devices looks at this list."""
        self._acts: dict[str, Callable[[str], Sequence[str]]] = {
            "kinds": self._kinds,
            "break": self._break,
            "broken": self._broken,
            "mend": self._mend,
            "machines": self._machines,
            "look": self._look,
            "set": self._set,
            "release": self._release,
            "help": lambda _: HELP.splitlines(),
        }

    def answer(self, line: str) -> Sequence[str]:
        """Return what to print; a mistake is a sentence, never an exception."""
        word, _, rest = line.strip().partition(" ")
        if not word:
            return []
        act = self._acts.get(word.lower())
        if act is None:
            return [f"'{word}' is nothing that this console can do; 'help' lists what it can"]
        try:
            return act(rest.strip())
        except (UnknownFault, ValueError) as error:
            return [str(error)]
        except KeyError as error:
            return [str(error.args[0])]

    def _kinds(self, word: str) -> Sequence[str]:
        found = [f"{name:<24} {row.example:<48} {row.amount}".rstrip() for name, row in FAULTS.items() if word in name]
        return found or [f"no kind of fault has '{word}' in its name"]

    def _break(self, text: str) -> Sequence[str]:
        fault = parse_fault(text)
        if is_device_fault(fault):
            self._break_device(fault)
        else:
            self._simulated.inject(fault)
        return [f"{self._numbered(fault)}; 'broken' lists all, 'mend' puts it right"]

    def _break_device(self, fault: Fault) -> None:
        plant = self._simulated.plant
        place_fault(fault, plant)
        check_device_fault(fault, plant)
        if len(self._of_devices) >= DEVICE_FAULTS_MAX:
            raise ValueError(f"{DEVICE_FAULTS_MAX} faults of devices are enough; mend one first")
        fault.active(self._simulated.now_ms)  # its seconds count from now
        self._of_devices.append(fault)

    def _all(self) -> tuple[Fault, ...]:
        return (*self._simulated.faults, *self._of_devices)

    def _broken(self, _: str) -> Sequence[str]:
        return [self._numbered(fault) for fault in self._all()] or ["nothing is broken"]

    def _numbered(self, fault: Fault) -> str:
        faults = self._all()
        number = next(place for place, item in enumerate(faults, 1) if item is fault)
        when = "" if fault.active(self._simulated.now_ms) else " (not now)"
        amount = f" {fault.amount:g}" if FAULTS[fault.kind].amount else ""
        return f"{number}  {fault.kind} {fault.target}{amount}{when}"

    def _mend(self, text: str) -> Sequence[str]:
        faults = self._all()
        if text == "all":
            chosen: Sequence[Fault] = faults
        elif text.isdigit() and 0 < int(text) <= len(faults):
            chosen = [faults[int(text) - 1]]
        else:
            return [
                f"mend which? Write 'mend all' or a number from 1 to {len(faults)}" if faults else "nothing is broken"
            ]
        for fault in chosen:
            if is_device_fault(fault):
                self._of_devices[:] = [item for item in self._of_devices if item is not fault]
            else:
                self._simulated.mend(fault)
        return [f"mended: {fault.kind} {fault.target}" for fault in chosen] or ["nothing was broken"]

    def _machines(self, _: str) -> Sequence[str]:
        machines = self._simulated.machines
        chillers = [
            f"{name:<10} {item.panel.mode:<18} {item.load_kw:7.0f} kW cooling {item.power_kw:6.0f} kW  leaves {item.evaporator.out_c:.1f} degC"
            for name, item in machines.chillers.items()
        ]
        drives = [f"{name:<10} {item.speed_pct:3.0f} %" for name, item in machines.drives().items() if item.running]
        return [*chillers, "turning: " + ("  ".join(drives) or "nothing")]

    def _look(self, word: str) -> Sequence[str]:
        reported = self._simulated.reported()
        points = [point for name, point in self._simulated.plant.points.items() if word.lower() in name.lower()]
        if not points:
            return [f"no point has '{word}' in its name"]
        shown = [f"{point.name:<36} {_value(point, reported[point.name])}" for point in points[:LINES_MAX]]
        left = len(points) - len(shown)
        return [*shown, f"… and {left} more; say more of the name"] if left else shown

    def _set(self, text: str) -> Sequence[str]:
        name, _, number = text.partition(" ")
        try:
            value = float(number)
        except ValueError:
            return [f"'{number}' is no number; write: set {name or 'POINT'} VALUE"]
        self._simulated.command(name, value)
        return [f"{name} is held at {value:g}; 'release {name}' gives it back"]

    def _release(self, name: str) -> Sequence[str]:
        self._simulated.command(name, None)
        return [f"{name} is the controller's again"]


def _value(point: Point, number: float) -> str:
    if math.isnan(number):
        return "no number"
    return point.states.get(round(number), f"{number:g}") if point.states else f"{number:g} {point.unit.name}"


def run_console(plant: Plant, order: Order, faults: Sequence[Fault], say: Callable[[str], None]) -> None:
    """Serve the plant in this process and take orders from standard input until it ends or says 'leave'."""
    asyncio.run(_run(plant, order, faults, say))


async def _run(plant: Plant, order: Order, faults: Sequence[Fault], say: Callable[[str], None]) -> None:
    clock = order.clock()
    simulated = await asyncio.to_thread(SimulatedPlant, plant, clock.now_ms(), cold=order.cold)
    stop, ready = asyncio.Event(), asyncio.Event()
    live: list[Fault] = []
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(serve(simulated, plant, clock, faults=faults, live=live, ready=ready))]
        await ready.wait()
        say(f"{plant.name} is served; 'help' lists what this console can do.")
        tasks.append(group.create_task(_read(Console(simulated, live), stop, say)))
        await stop.wait()
        for task in tasks:
            task.cancel()


async def _read(console: Console, stop: asyncio.Event, say: Callable[[str], None]) -> None:
    """Answer lines until the input ends."""
    reader = asyncio.StreamReader()
    with suppress(ValueError):  # a file as standard input has nothing to wait for and ends at once
        await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
        while line := await _next(reader):
            if line.split()[:1] == ["leave"]:
                break
            for answered in console.answer(line):
                say(answered)
    stop.set()


async def _next(reader: asyncio.StreamReader) -> str:
    print(PROMPT, end="", flush=True)
    return (await reader.readline()).decode("utf-8", "replace")
