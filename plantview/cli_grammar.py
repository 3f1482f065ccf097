"""The grammar of the command line: one row per command, and what its options mean."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from plantview import __version__
from plantview.clock import SPEED_MAX
from plantview.config.bundled import bundled_plants

DEFAULT_PORT: Final = 8050
DEMO_PLANT: Final = "larkfield"
ABOUT: Final = """\
A live dashboard for chilled-water plants that speaks BACnet/IP and Modbus TCP.
It reads; it does not write to equipment.

first steps:
  plantview demo                 a simulated plant on this computer, in your browser
  plantview check PLANT_DIR      is my plant description right?
  plantview run PLANT_DIR        watch a real plant
"""
FOLDER_HELP: Final = "folder with plant.toml and points.csv, or an example plant: " + ", ".join(bundled_plants())


def _plant_dir(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("plant_dir", metavar="PLANT_DIR", help=FOLDER_HELP)


def _example(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "--plant", default=DEMO_PLANT, choices=sorted(bundled_plants()), help="example plant (default %(default)s)"
    )


def _data(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--data", metavar="DIR", default="", help="data folder (default ./plantview-data/PLANT)")


def _serving(sub: argparse.ArgumentParser) -> None:
    text = "port of the web page on 127.0.0.1 (default %(default)s)"
    sub.add_argument("--port", type=_port, default=DEFAULT_PORT, help=text)


def _simulation(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--speed", type=_speed, default=1.0, metavar="N", help="plant seconds per real second (default 1)")
    text = "let something fail, for example pump-trip:CWP-1@120 (after 120 s); may be given several times"
    sub.add_argument("--fault", action="append", default=[], metavar="KIND:TARGET@SECONDS", help=text)


def _addresses(sub: argparse.ArgumentParser) -> None:
    text = "reach a device elsewhere, for example 192.168.1.50:502=127.0.0.1:5020 through a tunnel"
    sub.add_argument("--address", action="append", default=[], type=_address, metavar="OLD=NEW", help=text)


def _filter(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("filter", metavar="FILTER", nargs="?", default="", help="part of a point's name")


def _units(sub: argparse.ArgumentParser) -> None:
    text = "units shown (default: as the plant says)"
    sub.add_argument("--units", choices=("si", "ip", "reported"), default="", help=text)


def _watch(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--watch", action="store_true", help="refresh every two seconds until Ctrl-C")


@dataclass(frozen=True, slots=True)
class Command:
    """One command in words, with its options in the order of its help."""

    name: str
    short: str
    long: str
    options: tuple[Callable[[argparse.ArgumentParser], None], ...]


COMMANDS: Final = (
    Command(
        "demo", "start a simulated plant and show it in the browser",
        "Starts an example plant: simulated devices that speak BACnet/IP and Modbus TCP on free\n"
        "loopback ports, the field process that polls them, and the web page. Ctrl-C stops everything.",
        (_example, _serving, _data, _simulation),
    ),
    Command(
        "run", "watch the plant that PLANT_DIR describes",
        "Polls the devices of the plant description and serves the pages on this computer only\n"
        "(127.0.0.1). Nothing is ever written to a device.",
        (_plant_dir, _serving, _data, _addresses),
    ),
    Command(
        "simulate", "serve the plant's devices as simulated ones",
        "Starts only the devices, at the addresses in plant.toml, for another program or for\n"
        "'plantview run' in a second terminal. They can be read and commanded like real controllers.",
        (_plant_dir, _data, _simulation, _addresses),
    ),
    Command(
        "check", "list everything that is wrong with a plant description",
        "Lists every problem of plant.toml and points.csv with file, line and remedy.\n"
        "Exit 0: nothing wrong (warnings may be listed). Exit 2: problems.",
        (_plant_dir,),
    ),
    Command(
        "values", "show the values of a running plant on the terminal",
        "Asks the field process that watches this plant. FILTER keeps points whose name contains it,\n"
        "for example: plantview values larkfield CH-1 --watch",
        (_plant_dir, _filter, _units, _data, _watch),
    ),
    Command(
        "alarms", "show the alarms of a running plant on the terminal",
        "Lists active alarms, the most urgent first. Acknowledge them on the page.",
        (_plant_dir, _data, _watch),
    ),
)  # fmt: skip


def parser(acts: Mapping[str, Callable[[argparse.Namespace], int]]) -> argparse.ArgumentParser:
    """Return the parser; each command's ``act`` is what ``acts`` holds under its name."""
    top = argparse.ArgumentParser(
        prog="plantview", description=ABOUT, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    top.add_argument("--version", action="version", version=f"plantview {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for command in COMMANDS:
        sub = commands.add_parser(
            command.name,
            help=command.short,
            description=command.long,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        for option in command.options:
            option(sub)
        sub.set_defaults(act=acts[command.name])
    return top


def _port(text: str) -> int:
    if not text.isdigit() or not 0 < int(text) < 65_536:
        raise argparse.ArgumentTypeError(f"'{text}' is no port; give a number from 1 to 65535")
    return int(text)


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0 < speed <= SPEED_MAX:
        raise argparse.ArgumentTypeError(f"'{text}' is no speed; give a number above 0, at most {SPEED_MAX:g}")
    return speed


def _address(text: str) -> tuple[str, str]:
    old, _, new = text.partition("=")
    if ":" not in old or ":" not in new:
        raise argparse.ArgumentTypeError(f"'{text}' is not OLD=NEW; write 192.168.1.50:502=127.0.0.1:5020")
    return old, new
