"""The command line: starts and supervises the processes, checks a plant, answers on a terminal."""

from __future__ import annotations

import argparse
import asyncio
import shutil
import signal
import sys
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from plantview import cli_accounts
from plantview.alarms import is_warning
from plantview.cli_alarms_sheet import alarms_sheet
from plantview.cli_ask import ask_alarms, ask_values
from plantview.cli_calc import answer
from plantview.cli_check import problems_of, report
from plantview.cli_devices import ask_devices
from plantview.cli_entry import way_of
from plantview.cli_evidence import evidence
from plantview.cli_grammar import DEFAULT_PORT, parser
from plantview.cli_open import opened
from plantview.cli_reload import Renewing, reload
from plantview.clock import SystemClock
from plantview.config.bundled import bundled_plants, data_folder, plant_folder
from plantview.config.in_use import copy_in_use, forget_older
from plantview.config.order import Order
from plantview.config.overrides import adapter_key
from plantview.config.ports import free_address
from plantview.errors import ConfigError, NotRunning, PlantviewError, StartRefused
from plantview.keeper import keeping
from plantview.model.plant import Plant
from plantview.process import EXIT_FAILED, EXIT_OK, EXIT_REFUSED
from plantview.supervisor import Renewal, Supervisor


def say(text: str = "") -> None:
    """Print one line for the person at the terminal."""
    print(text, flush=True)


def complain(text: str) -> None:
    """Print one line to the error stream."""
    print(text, file=sys.stderr, flush=True)


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
    order = _order(args, folder, plant, _simulated_addresses(plant, {}))
    return _supervise(plant, ("simulator", "field", "web"), order)


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
        from plantview.cli_simulate_console import run_console
        from plantview.simulator.faults import parse_fault

        run_console(order.load(), order, [parse_fault(text) for text in order.faults], say)
        return EXIT_OK
    return _supervise(plant, ("simulator",), order)


def _order(args: argparse.Namespace, folder: Path, plant: Plant, addresses: dict[str, str]) -> Order:
    way = way_of(args, data_folder(args.data, folder).resolve())
    for caution in way.cautions:
        complain(caution)
    made = Order(
        "",
        str(folder.resolve()),
        str(data_folder(args.data, folder).resolve()),
        addresses,
        getattr(args, "speed", 1.0),
        SystemClock().now_ms(),
        tuple(_known_faults(args, plant)),
        "127.0.0.1",
        getattr(args, "port", DEFAULT_PORT),
        getattr(args, "cold", False),
        practice=getattr(args, "practice", False),
        past_h=0.0 if getattr(args, "cold", False) else getattr(args, "past", 0.0),
    )
    return replace(made, **way.order)


def _known_faults(args: argparse.Namespace, plant: Plant) -> Sequence[str]:
    """Return the faults of the options and of the file, each one placed in this plant."""
    file = getattr(args, "faults", "")
    if not file and not getattr(args, "fault", []):
        return ()
    from plantview.simulator.faults import faults_file, parse_fault, place_fault

    try:
        texts = [*getattr(args, "fault", []), *(faults_file(Path(file)) if file else ())]
        for text in texts:
            place_fault(parse_fault(text), plant)
    except ValueError as error:
        raise StartRefused(str(error)) from None
    return texts


def _supervise(plant: Plant, roles: Sequence[str], order: Order) -> int:
    say(f"{plant.name}: starting {', '.join(roles)}; Ctrl-C stops it.")
    if "field" in roles:
        _keep(plant, roles, order)
    else:
        supervisor = Supervisor([replace(order, role=role) for role in roles], complain)
        asyncio.run(supervisor.run(lambda: _ready(plant, roles, order)))
    say("stopped.")
    return EXIT_OK


def _keep(plant: Plant, roles: Sequence[str], order: Order) -> None:
    """Run on a copy of the plant description that a reload replaces whole."""
    folder, data = Path(order.plant), Path(order.data)
    with keeping(data) as keeper:
        copy = copy_in_use(folder, data)
        forget_older(copy)
        order = replace(order, plant=str(copy))
        orders = [replace(order, role=role) for role in roles]
        addresses = _simulated_addresses if "simulator" in roles else _same_addresses
        renewing = Renewing(folder, orders, addresses)

        def told(problems: Sequence[str]) -> None:
            renewing.settled(problems)
            keeper.reloaded(problems)

        supervisor = Supervisor(orders, complain, Renewal(renewing.orders, told))
        asyncio.run(supervisor.run(lambda: _ready(plant, roles, order)))


def _simulated_addresses(plant: Plant, known: Mapping[str, str]) -> dict[str, str]:
    """Give every device and adapter that has none yet a free port of this computer."""
    wanted = {device.address: device.protocol for device in plant.devices.values()}
    wanted |= {adapter_key(adapter): "bacnet" for adapter in (plant.bacnet, *plant.adapters.values())}
    return {address: known.get(address) or free_address("127.0.0.1", protocol) for address, protocol in wanted.items()}


def _same_addresses(_plant: Plant, known: Mapping[str, str]) -> Mapping[str, str]:
    return known


def _ready(plant: Plant, roles: Sequence[str], order: Order) -> None:
    if order.looking_back:
        say(f"{plant.name}: look back at {order.url()}past")
    elif "web" in roles:
        simulated = f"  SIMULATED x{order.speed:g}" if plant.simulated else ""
        say(f"{plant.name}: open {order.url()}{simulated}")
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
    data = data_folder(args.data, folder)
    return _show(args, plant, data, lambda: ask_values(plant, data, args.filter, args.units or plant.units))


def show_alarms(args: argparse.Namespace) -> int:
    """Print the active alarms of a running plant."""
    folder = plant_folder(args.plant_dir)
    plant = _checked(folder)
    data = data_folder(args.data, folder)
    return _show(args, plant, data, lambda: ask_alarms(plant, data))


def show_devices(args: argparse.Namespace) -> int:
    """Print how the polling of each device does."""
    folder = plant_folder(args.plant_dir)
    plant = _checked(folder)
    data = data_folder(args.data, folder)
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


def keep_accounts(args: argparse.Namespace) -> int:
    """Make, change or list accounts and keys."""
    for line in cli_accounts.accounts(args):
        say(line)
    return EXIT_OK


def reload_plant(args: argparse.Namespace) -> int:
    """Take a changed plant description into the running plant."""
    for line in reload(args):
        say(line)
    return EXIT_OK


def import_log(args: argparse.Namespace) -> int:
    """Take in a log made elsewhere."""
    from plantview import cli_import

    return cli_import.import_log(args)


def export_history(args: argparse.Namespace) -> int:
    """Write history into a file."""
    from plantview import cli_export

    return cli_export.export_history(args)


def open_past(args: argparse.Namespace) -> int:
    """Look back at a package or a stored plant; no device is asked."""
    with opened(args) as place:
        for line in place.said:
            say(line)
        plant = _checked(place.folder)
        made = Order(
            "",
            str(place.folder.resolve()),
            str(place.data.resolve()),
            start_real_ms=SystemClock().now_ms(),
            port=args.port,
            looking_back=True,
        )
        say(f"look at {place.url(made.url())}")
        return _supervise(plant, ("field", "web"), made)


def recompute(args: argparse.Namespace) -> int:
    """Work out derived values again."""
    from plantview import cli_recompute

    return cli_recompute.recompute(args)


def learn_models(args: argparse.Namespace) -> int:
    """Fit what each machine is used to."""
    from plantview import cli_learn

    return cli_learn.learn(args)


def show_audit(args: argparse.Namespace) -> int:
    """Print the audit, or say whether it holds."""
    from plantview import cli_audit

    folder = plant_folder(args.plant_dir)
    printed, holds = cli_audit.audit(args, folder, data_folder(args.data, folder))
    say("\n".join(printed))
    return EXIT_OK if holds else EXIT_FAILED


def show_overrides(args: argparse.Namespace) -> int:
    """Print what is held, after releasing it if that is wanted."""
    from plantview import cli_audit

    printed, done = cli_audit.overrides(args, data_folder(args.data, plant_folder(args.plant_dir)))
    say("\n".join(printed))
    return EXIT_OK if done else EXIT_FAILED


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
    "overrides": show_overrides,
    "audit": show_audit,
    "accounts": keep_accounts,
    "reload": reload_plant,
    "calc": work_out,
    "import": import_log,
    "export": export_history,
    "recompute": recompute,
    "learn": learn_models,
    "evidence": evidence,
    "open": open_past,
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code: 0 well, 1 failed, 2 refused before anything was started."""
    if argv is None:
        # as a program, 'plantview values | head' ends quietly; called from another one, that one's signals are its own
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
