"""The grammar of the command line: one row per command, and what its options mean."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from plantview import __version__, cli_accounts, cli_entry, cli_evidence, cli_open
from plantview.clock import SPEED_MAX
from plantview.config.bundled import bundled_plants

DEFAULT_PORT: Final = 8050
PAST_H_MAX: Final = 168.0
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


def _practice(sub: argparse.ArgumentParser) -> None:
    text = "rehearse commands on simulated devices: what writes.toml lists may be written, every page says PRACTICE"
    sub.add_argument("--practice", action="store_true", help=text)


def _release_all(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--release-all", action="store_true", help="release everything that this program holds")


def _audit_act(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("what", choices=("show", "verify"), metavar="show|verify", help="print the record, or check it")
    sub.add_argument("--last", type=int, default=40, metavar="N", help="lines to show (default %(default)s)")


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
    sub.add_argument("--faults", metavar="FILE", default="", help="file with one such fault a line; # begins a remark")
    sub.add_argument("--cold", action="store_true", help="start with everything off, as on the morning after an outage")


def _console(sub: argparse.ArgumentParser) -> None:
    text = "take orders at this terminal: break and mend things, command points, look at values"
    sub.add_argument("--console", action="store_true", help=text)


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


def _sheet(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--out", metavar="FILE", required=True, help="file to write; it must not exist yet")
    sub.add_argument("--start", action="store_true", help="make a starting set from points and design data instead")
    sub.add_argument(
        "--in", metavar="SHEET", dest="take", default="", help="turn a sheet into [[alarms]] of plant.toml"
    )


def _formula(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("name", metavar="NAME", nargs="?", default="", help="formula; without it all are listed")
    sub.add_argument("inputs", metavar="KEY=VALUE", nargs="*", default=[], help="input with its unit, flow=1000gpm")


def _survey_bacnet(sub: argparse.ArgumentParser) -> None:
    text = "this computer's address to use, such as 192.168.10.5 (default: chosen, and said why)"
    sub.add_argument("--adapter", default="", metavar="ADDRESS", help=text)
    sub.add_argument("--port", type=_port, default=47_808, help="UDP port of this computer (default %(default)s)")
    text = "ask this BACnet device alone, without a broadcast (=INSTANCE if it does not tell its own); may be repeated"
    sub.add_argument("--host", action="append", default=[], metavar="HOST[:PORT][=INSTANCE]", help=text)
    text = "device instances asked for by broadcast, for example 1000-1999; may be given several times"
    sub.add_argument("--range", action="append", default=[], metavar="LOW-HIGH", help=text)
    sub.add_argument(
        "--rounds", type=_rounds, default=3, metavar="N", help="repeat the broadcast (default %(default)s)"
    )
    sub.add_argument(
        "--wait", type=_wait, default=3.0, metavar="S", help="seconds of listening per question (default 3)"
    )


def _survey_modbus(sub: argparse.ArgumentParser) -> None:
    text = "look behind this Modbus TCP address; may be given several times"
    sub.add_argument("--modbus", action="append", default=[], metavar="HOST[:PORT]", help=text)
    sub.add_argument("--units", default="1-20", metavar="FIRST-LAST", help="unit ids asked for (default %(default)s)")
    text = "read these registers and show each under every type and byte order, for example 0-200"
    sub.add_argument("--registers", default="", metavar="FIRST-LAST", help=text)
    text = "read these coils and discrete inputs, for example 0-63"
    sub.add_argument("--bits", default="", metavar="FIRST-LAST", help=text)
    text = "what the machine's own display shows: mark the decodings that agree with it"
    sub.add_argument("--expect", type=float, default=None, metavar="NUMBER", help=text)


def _survey_out(sub: argparse.ArgumentParser) -> None:
    text = "folder for what is found and for the draft (default ./%(default)s)"
    sub.add_argument("--out", metavar="DIR", default="survey", help=text)
    sub.add_argument(
        "--suggest", action="store_true", help="propose equipment and measurement per row, to be accepted by you"
    )
    sub.add_argument("--fresh", action="store_true", help="forget what an earlier survey left in the folder")


def _log(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("log", metavar="LOG", help="the log: .csv, .txt, .tsv, .xlsx or .parquet")
    sub.add_argument("plant_dir", metavar="PLANT_DIR", help=FOLDER_HELP)
    sub.add_argument(
        "--columns", metavar="MAP.toml", default="", help="which column is which point, unit and time zone"
    )
    sub.add_argument("--start-map", action="store_true", help="write a first map beside the log, for you to finish")
    sub.add_argument("--dry-run", action="store_true", help="report what would be taken, write nothing")


def _points(sub: argparse.ArgumentParser) -> None:
    text = "a value, or a pattern such as 'CH-1.*'; may be given several times"
    sub.add_argument("--point", action="append", required=True, metavar="NAME", help=text)
    sub.add_argument("--out", required=True, metavar="FILE", help="file to write; an existing one is replaced")
    sub.add_argument("--format", choices=("csv", "parquet"), default="", help="default: as FILE's name ends, else csv")
    text = "units of the numbers (default: as the devices reported)"
    sub.add_argument("--units", choices=("si", "ip", "reported"), default="reported", help=text)


def _span(sub: argparse.ArgumentParser) -> None:
    text = "2026-07-01, '2026-07-01 14:30' (time of the site) or 2026-07-01T14:30:00Z; default: all there is"
    sub.add_argument("--from", dest="start", default="", metavar="TIME", help=f"first moment: {text}")
    sub.add_argument("--to", dest="end", default="", metavar="TIME", help=f"end, not included: {text}")


def _past(sub: argparse.ArgumentParser) -> None:
    text = f"hours of simulated history before the start, 0 to {PAST_H_MAX:g} (default %(default)g)"
    sub.add_argument("--past", type=_past_hours, default=24.0, metavar="HOURS", help=text)


def _past_hours(text: str) -> float:
    try:
        hours = float(text)
    except ValueError:
        hours = -1.0
    if not 0 <= hours <= PAST_H_MAX:
        raise argparse.ArgumentTypeError(f"'{text}' is no number of hours from 0 to {PAST_H_MAX:g}")
    return hours


def _replayed(sub: argparse.ArgumentParser) -> None:
    text = "write nothing; tell what the alarms would have said over this span"
    sub.add_argument("--alarms", action="store_true", help=text)


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
        (_example, _serving, _data, _simulation, _past, _practice, cli_entry.grammar),
    ),
    Command(
        "run", "watch the plant that PLANT_DIR describes",
        "Polls the devices of the plant description and serves the pages on this computer only\n"
        "(127.0.0.1) unless --bind says otherwise. Nothing is written to a device unless plant.toml enables it.",
        (_plant_dir, _serving, _data, _addresses, _practice, cli_entry.grammar),
    ),
    Command(
        "simulate", "serve the plant's devices as simulated ones",
        "Starts only the devices, at the addresses in plant.toml, for another program or for\n"
        "'plantview run' in a second terminal. They can be read and commanded like real controllers.",
        (_plant_dir, _data, _simulation, _console, _addresses),
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
    Command(
        "alarms-sheet", "write the alarms as a sheet to discuss, and take it back",
        "Writes one CSV row per alarm with cause, consequence, action, time to respond and priority.\n"
        "--start makes a starting set from the plant description; --in turns the sheet into [[alarms]].",
        (_plant_dir, _sheet),
    ),
    Command(
        "devices", "show how the devices of a running plant answer",
        "Lists each device with its cycle, load, failures by kind and what a technician should know,\n"
        "then the networks with what polling costs them.",
        (_plant_dir, _data, _watch),
    ),
    Command(
        "overrides", "show what this program holds at a running plant, and release it",
        "Lists the overrides that a running plantview holds, with the time left. --release-all releases\n"
        "everything it holds: machines first, then pumps and valves; exit 1 while anything is not proven released.",
        (_plant_dir, _release_all, _data),
    ),
    Command(
        "audit", "show who commanded what, and prove that nothing was changed since",
        "show prints the last lines of the record of commands; verify checks its chain and its anchor.\n"
        "Exit 1: a line was changed, taken out or put in; the first such line is named.",
        (_audit_act, _plant_dir, _data),
    ),
    Command(
        "calc", "work out one formula by hand, with its source",
        "Works out one engineering formula, for example:\n"
        "plantview calc cooling_load flow=1000gpm supply=44degF return=54degF\n"
        "Without NAME it lists all formulas; with NAME alone it says what one needs.\n"
        "Limits and settings of a machine come from its maker's manual, not from here.",
        (_formula,),
    ),
    Command(
        "survey", "find devices on the network and draft a point list",
        "Lists adapters, finds BACnet devices and Modbus units, reads what they hold and drafts points.csv.\n"
        "It only reads, one question at a time. An interrupted survey goes on when started again. For example:\n"
        "  plantview survey --suggest                            everybody, by broadcast\n"
        "  plantview survey --host 192.168.10.20 --suggest       one BACnet device\n"
        "  plantview survey --modbus 192.168.10.50 --units 1-20 --registers 0-200",
        (_survey_bacnet, _survey_modbus, _survey_out),
    ),
    Command(
        "preflight", "is everything ready to watch this plant?",
        "Checks adapter, mask and port, reaches every device, compares clocks, estimates the load against\n"
        "the budget and reads every point once, saying per problem what to do. Nothing is written.\n"
        "Exit 0: ready. Exit 1: something is wrong. Exit 2: the plant description is wrong.",
        (_plant_dir, _serving, _addresses),
    ),
    Command(
        "reload", "take a changed plant description into the running plant",
        "Checks the description as a whole, tells the process that watches the plant, and says what came of it.\n"
        "A description with a mistake changes nothing: each problem is listed, the plant goes on as it was.\n"
        "Polling pauses for some seconds; alarms keep their states. SIGHUP to that process does the same.",
        (_plant_dir, _data),
    ),
    Command(
        "accounts", "who may sign in, and which programs may ask",
        "Accounts are off until the first one is made; then nobody sees the pages without signing in.\n"
        "There are no accounts and no passwords to begin with. Running pages notice every change. For example:\n"
        "  plantview accounts add mk --role admin --plant my-plant     asks for the password twice\n"
        "  plantview accounts key add reporting                        a key for a program, shown once",
        (cli_accounts.grammar,),
    ),
    Command(
        "import", "take in a log that was made elsewhere",
        "Readings of a trend export become history of the plant; nothing is asked of any device.\n"
        "First write a map of its columns and finish it, then look at what would be taken:\n"
        "plantview import --start-map LOG PLANT_DIR\n"
        "plantview import LOG PLANT_DIR --columns LOG.map.toml --dry-run\n"
        "Cells that are no number are counted by kind and never turned into one.",
        (_log, _data),
    ),
    Command(
        "export", "write history as a CSV or Parquet file",
        "One row per moment, with UTC and the site's time, units in the heading and a quality beside\n"
        "every value. The file is there whole or not at all.",
        (_plant_dir, _points, _span, _data),
    ),
    Command(
        "evidence", "write one file to mail: what a plant did over a while",
        "Packs the plant description without secrets, readings at full rate, alarms, journal, device health,\n"
        "versions and clock offsets of the last 24 h (or of a span) into one file of at most 10 MB.\n"
        "The plant may be running; nothing is asked of any device.",
        (_plant_dir, cli_evidence.grammar, _data),
    ),
    Command(
        "open", "look back at an evidence package or a stored plant, without devices",
        "Verifies and unpacks a package and shows that plant at that time in the browser; or shows the\n"
        "history of a plant folder, for instance after an import. No device is asked, nothing can be\n"
        "acknowledged or commanded. Ctrl-C stops it.",
        (cli_open.grammar, _serving, _data),
    ),
    Command(
        "recompute", "work out the derived values of stored readings again",
        "After an import, or after the plant description was corrected: derived values of the span are\n"
        "worked out from the stored readings and replace what was stored. Stop the running plant first.",
        (_plant_dir, _span, _replayed, _data),
    ),
    Command(
        "learn", "learn from stored readings what each machine is used to",
        "Fits a model of each chiller's power and of each tower cell's leaving water to steady stored readings,\n"
        "judges it by days that the fit did not see, and keeps it in models.json of the data folder; says of each\n"
        "machine what was fitted, or why not. The plant may be running: it takes the models in within a minute.",
        (_plant_dir, _span, _data),
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


def _rounds(text: str) -> int:
    if not text.isdigit() or not 0 < int(text) <= 20:
        raise argparse.ArgumentTypeError(f"'{text}' is no number of rounds; give 1 to 20")
    return int(text)


def _wait(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0.1 <= seconds <= 30:
        raise argparse.ArgumentTypeError(f"'{text}' is no waiting time; give 0.1 to 30 seconds")
    return seconds


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
