"""The command line: starts and supervises the processes, checks a plant, answers on a terminal."""

from __future__ import annotations

import argparse
import asyncio
import shutil
import signal
import sys
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from plantview.alarms import is_warning
from plantview.cli_alarms_sheet import alarms_sheet
from plantview.cli_ask import ask_alarms, ask_values
from plantview.cli_calc import answer
from plantview.cli_check import problems_of, report
from plantview.cli_devices import ask_devices
from plantview.cli_grammar import DEFAULT_PORT, parser
from plantview.cli_simulate_console import run_console
from plantview.clock import SystemClock
from plantview.config.bundled import bundled_plants, plant_folder
from plantview.config.order import Order
from plantview.config.overrides import adapter_key
from plantview.config.ports import free_address
from plantview.errors import ConfigError, NotRunning, PlantviewError, StartRefused
from plantview.model.plant import Plant
from plantview.process import EXIT_FAILED, EXIT_OK, EXIT_REFUSED
from plantview.simulator.faults import faults_file, parse_fault, place_fault
from plantview.supervisor import Supervisor


def say(text: str = "") -> None:
    """Print one line for the person at the terminal."""
    print(text, flush=True)


def complain(text: str) -> None:
    """Print one line to the error stream."""
    print(text, file=sys.stderr, flush=True)


def _folder_data(args: argparse.Namespace, folder: Path) -> str:
    return args.data or str(Path("plantview-data") / folder.resolve().name)


def _checked(folder: Path) -> Plant:
    """Return the plant, or raise with every problem, before anything is started."""
    plant, problems = problems_of(folder)
    errors = [problem for problem in problems if not is_warning(problem)]
    if plant is None or errors:
        raise ConfigError(folder, errors)
    return plant


def demo_plant(args: argparse.Namespace) -> int:
    """Start simulator, field and web on free ports."""
    folder = bundled_plants()[args.plant]
    plant = _checked(folder)
    listeners = {device.address: device.protocol for device in plant.devices.values()}
    addresses = {address: free_address("127.0.0.1", protocol) for address, protocol in listeners.items()}
    addresses[adapter_key(plant.bacnet)] = free_address("127.0.0.1", "bacnet")
    return _supervise(plant, ("simulator", "field", "web"), _order(args, folder, plant, addresses))


def run_plant(args: argparse.Namespace) -> int:
    """Start field and web."""
    folder = plant_folder(args.plant_dir)
    plant = _checked(folder)
    return _supervise(plant, ("field", "web"), _order(args, folder, plant, dict(args.address)))


def simulate_plant(args: argparse.Namespace) -> int:
    """Start the simulated devices only."""
    folder = plant_folder(args.plant_dir)
    plant = _checked(folder)
    order = _order(args, folder, plant, dict(args.address))
    if args.console:
        run_console(order.load(), order, [parse_fault(text) for text in order.faults], say)
        return EXIT_OK
    return _supervise(plant, ("simulator",), order)


def _order(args: argparse.Namespace, folder: Path, plant: Plant, addresses: dict[str, str]) -> Order:
    return Order(
        "",
        str(folder.resolve()),
        str(Path(_folder_data(args, folder)).resolve()),
        addresses,
        getattr(args, "speed", 1.0),
        SystemClock().now_ms(),
        tuple(_known_faults(args, plant)),
        "127.0.0.1",
        getattr(args, "port", DEFAULT_PORT),
        getattr(args, "cold", False),
    )


def _known_faults(args: argparse.Namespace, plant: Plant) -> Sequence[str]:
    """Return the faults of the options and of the file, each one placed in this plant."""
    file = getattr(args, "faults", "")
    try:
        texts = [*getattr(args, "fault", []), *(faults_file(Path(file)) if file else ())]
        for text in texts:
            place_fault(parse_fault(text), plant)
    except ValueError as error:
        raise StartRefused(str(error)) from None
    return texts


def _supervise(plant: Plant, roles: Sequence[str], order: Order) -> int:
    supervisor = Supervisor([replace(order, role=role) for role in roles], complain)
    say(f"{plant.name}: starting {', '.join(roles)}; Ctrl-C stops it.")
    asyncio.run(supervisor.run(lambda: _ready(plant, roles, order)))
    say("stopped.")
    return EXIT_OK


def _ready(plant: Plant, roles: Sequence[str], order: Order) -> None:
    if "web" in roles:
        simulated = f"  SIMULATED x{order.speed:g}" if plant.simulated else ""
        say(f"{plant.name}: open http://{order.host}:{order.port}/{simulated}")
    else:
        for device in plant.devices.values():
            say(
                f"  {device.id:<14} {device.protocol:<7} {order.addresses.get(device.address, device.address)}  {device.label}"
            )
    say(f"data and logs: {order.data}")


def check_plant(args: argparse.Namespace) -> int:
    """Print every problem of a plant description."""
    plant, problems = problems_of(plant_folder(args.plant_dir))
    for line in report(plant, problems):
        say(line)
    return EXIT_REFUSED if plant is None or not all(is_warning(item) for item in problems) else EXIT_OK


def show_values(args: argparse.Namespace) -> int:
    """Print the values of a running plant."""
    folder = plant_folder(args.plant_dir)
    plant = _checked(folder)
    data = Path(_folder_data(args, folder))
    return _show(args, plant, data, lambda: ask_values(plant, data, args.filter, args.units or plant.units))


def show_alarms(args: argparse.Namespace) -> int:
    """Print the active alarms of a running plant."""
    folder = plant_folder(args.plant_dir)
    plant = _checked(folder)
    data = Path(_folder_data(args, folder))
    return _show(args, plant, data, lambda: ask_alarms(plant, data))


def show_devices(args: argparse.Namespace) -> int:
    """Print how the polling of each device does."""
    folder = plant_folder(args.plant_dir)
    plant = _checked(folder)
    data = Path(_folder_data(args, folder))
    return _show(args, plant, data, lambda: ask_devices(plant, data))


def write_sheet(args: argparse.Namespace) -> int:
    """Write the alarms of a plant as a sheet, or take a sheet back."""
    for line in alarms_sheet(args):
        say(line)
    return EXIT_OK


def _show(args: argparse.Namespace, plant: Plant, data: Path, ask: Callable[[], Awaitable[list[str]]]) -> int:
    async def once() -> None:
        lines = await ask()
        if args.watch:
            say("\x1b[H\x1b[2J" + "\n".join(lines[: shutil.get_terminal_size().lines - 1]))
        else:
            say("\n".join(lines))

    async def always() -> None:
        await once()
        while args.watch:
            await asyncio.sleep(WATCH_REAL_S)
            await once()

    try:
        asyncio.run(always())
    except NotRunning as error:
        start = "plantview demo" if plant.simulated else f"plantview run {args.plant_dir}"
        raise NotRunning(
            f"nobody watches {plant.name} with the data folder {data}; start it with '{start}' in this folder,"
            " or name its data folder with --data"
        ) from error
    return EXIT_OK


def work_out(args: argparse.Namespace) -> int:
    """Print one formula's result, what it needs, or all formulas."""
    for line in answer(args.name, args.inputs):
        say(line)
    return EXIT_OK


def survey_network(args: argparse.Namespace) -> int:
    """Find devices and draft a point list; the protocol libraries are loaded only for this."""
    from plantview.cli_survey import survey

    return survey(args)


def check_readiness(args: argparse.Namespace) -> int:
    """Ask everything once; the protocol libraries are loaded only for this."""
    from plantview.cli_preflight import preflight

    return preflight(args)


WATCH_REAL_S: Final = 2.0


def import_log(args: argparse.Namespace) -> int:
    """Take in a log made elsewhere."""
    from plantview import cli_import

    return cli_import.import_log(args)


def export_history(args: argparse.Namespace) -> int:
    """Write history into a file."""
    from plantview import cli_export

    return cli_export.export_history(args)


def recompute(args: argparse.Namespace) -> int:
    """Work out derived values again."""
    from plantview import cli_recompute

    return cli_recompute.recompute(args)


ACTS: Final = {
    "demo": demo_plant,
    "run": run_plant,
    "simulate": simulate_plant,
    "check": check_plant,
    "values": show_values,
    "alarms": show_alarms,
    "alarms-sheet": write_sheet,
    "survey": survey_network,
    "preflight": check_readiness,
    "devices": show_devices,
    "calc": work_out,
    "import": import_log,
    "export": export_history,
    "recompute": recompute,
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code: 0 well, 1 failed, 2 refused before anything was started."""
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    args = parser(ACTS).parse_args(argv)
    act: Callable[[argparse.Namespace], int] = args.act
    try:
        return act(args)
    except ConfigError as error:
        for problem in error.problems:
            complain(str(problem))
        complain(f"{len(error.problems)} problem(s); nothing was started.")
        return EXIT_REFUSED
    except StartRefused as error:
        complain(f"{error}")
        return EXIT_REFUSED
    except PlantviewError as error:
        complain(f"{error}")
        return EXIT_FAILED
    except KeyboardInterrupt:
        if getattr(args, "watch", False):
            return EXIT_OK
        complain("stopped by Ctrl-C before it was finished.")
        return EXIT_FAILED
