"""``plantview survey``: who is on the network and what they hold, as a draft of a point list."""

from __future__ import annotations

import argparse
import asyncio
import sys
from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import Final

from plantview.cli_progress import Progress
from plantview.drivers.bacnet_browse import INSTANCE_MAX
from plantview.errors import StartRefused
from plantview.model.plant import Adapter
from plantview.process import EXIT_FAILED, EXIT_OK
from plantview.surveying import decode_table, draft, report
from plantview.surveying.adapters import UDP, choose, holder, interfaces
from plantview.surveying.conduct import BACNET_PORT, Order, survey_bacnet, survey_modbus
from plantview.surveying.modbus_sweep import REGISTERS, decode_rows
from plantview.surveying.results import FILE, Survey, keep, kept

MODBUS_PORT: Final = 502
UNIT_MAX: Final = 255
REGISTER_MAX: Final = 65_535
DECODE_FILE: Final = "decode.txt"
DECODED_SHOWN: Final = 4
"""Registers whose decode table is printed; the file holds all."""


def survey(args: argparse.Namespace) -> int:
    """Survey, and write what was found into the folder."""
    folder = Path(args.out)
    order = order_of(args)
    found = Survey() if args.fresh else kept(folder)
    if found.devices or found.units:
        print(
            f"going on from {folder / FILE} ({len(found.devices)} devices, {len(found.units)} units); --fresh starts anew"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        silent = asyncio.run(_conduct(args, order, found, folder))
        _say(report.silent_lines(silent))
        _write(args, found, folder)
    except OSError as error:
        raise StartRefused(
            f"{folder} cannot be written: {error.strerror or error} -> choose another with --out"
        ) from error
    except KeyboardInterrupt:
        print(f"\nstopped; what was found is kept in {folder / FILE}: run the same command again to go on")
        return EXIT_FAILED
    any_found = bool(found.devices) or any(unit.there for unit in found.units.values())
    whole = all(device.done for device in found.devices.values())
    return EXIT_OK if any_found and whole and not silent else EXIT_FAILED


def order_of(args: argparse.Namespace) -> Order:
    """Return what the options ask for; StartRefused says which of them cannot be."""
    modbus = tuple(_host_port(text, MODBUS_PORT) for text in args.modbus)
    units = span(args.units, "--units", 1, UNIT_MAX)
    registers = span(args.registers, "--registers", 0, REGISTER_MAX) if args.registers else None
    bits = span(args.bits, "--bits", 0, REGISTER_MAX) if args.bits else None
    if (registers or bits) and not modbus:
        raise StartRefused(f"--{'registers' if registers else 'bits'} needs --modbus HOST:PORT")
    hosts = tuple(_bacnet_host(text) for text in args.host)
    ranges = tuple(span(text, "--range", 0, INSTANCE_MAX) for text in args.range)
    return Order(hosts, ranges, args.rounds, args.wait, modbus, tuple(range(units[0], units[1] + 1)), registers, bits)


def span(text: str, option: str, low: int, high: int) -> tuple[int, int]:
    """Return ``3-20`` or ``7`` as first and last number."""
    first, dash, last = text.partition("-")
    last = last if dash else first
    if not (text.isascii() and first.isdigit() and last.isdigit() and low <= int(first) <= int(last) <= high):
        raise StartRefused(f"{option} {text}: write FIRST-LAST from {low} to {high}, for example {low}-{min(high, 20)}")
    return int(first), int(last)


def _bacnet_host(text: str) -> str:
    address, equals, instance = text.partition("=")
    if equals:
        span(instance, "--host …=INSTANCE", 0, INSTANCE_MAX)
    return "{}:{}".format(*_host_port(address, BACNET_PORT)) + equals + instance


def _host_port(text: str, default: int) -> tuple[str, int]:
    host, _, port = text.partition(":")
    number = port or str(default)
    if not host or not number.isdigit() or not 0 < int(number) <= REGISTER_MAX:
        raise StartRefused(f"'{text}' is no address: write 192.168.10.20 or 192.168.10.20:{default}")
    return host, int(number)


async def _conduct(args: argparse.Namespace, order: Order, survey: Survey, folder: Path) -> dict[str, str]:
    progress = Steps()
    keeping = partial(keep, survey, folder)
    silent: dict[str, str] = {}
    keeping()
    if order.bacnet:
        adapter = _adapter(args, order)
        silent |= await survey_bacnet(order, adapter, survey, keeping, progress)
        progress.done()
        _say(report.device_lines(survey, order.rounds if order.broadcasts else 0))
    if order.modbus:
        silent |= await survey_modbus(order, survey, keeping, progress)
        progress.done()
        _say(report.unit_lines(survey))
    keeping()
    return silent


def _adapter(args: argparse.Namespace, order: Order) -> Adapter:
    found = interfaces()
    chosen, why = choose(found, args.adapter, [host.partition(":")[0] for host in order.hosts])
    host = chosen.address.partition("/")[0]
    if any(one.startswith("127.") and f"{one.partition('=')[0]}".endswith(f":{args.port}") for one in order.hosts):
        # the BACnet stack hands anything for its own port on any 127.* address to itself
        raise StartRefused(f"on loopback a device cannot be asked from its own port {args.port} -> add --port 47809")
    _say(report.adapter_lines(found, chosen, why, args.port, holder(UDP, host, args.port)))
    return Adapter(chosen.address, args.port)


def _write(args: argparse.Namespace, survey: Survey, folder: Path) -> None:
    rows = draft.rows(survey, suggesting=args.suggest)
    files = draft.write(survey, folder, rows, suggesting=args.suggest)
    if args.suggest and rows:
        _say(report.suggestion_lines(rows))
    tables = list(_decoded(survey, args))
    if tables:
        (folder / DECODE_FILE).write_text(
            "\n".join(line for table in tables for line in table) + "\n", encoding="utf-8"
        )
        files.append(folder / DECODE_FILE)
        _say(line for table in tables[:DECODED_SHOWN] for line in table)
        if len(tables) > DECODED_SHOWN:
            print(f"… {len(tables) - DECODED_SHOWN} more registers in {folder / DECODE_FILE}")
    print(f"wrote {', '.join(str(file) for file in (folder / FILE, *files))}")
    if rows or tables:
        print(
            "each row of points.csv begins with #: complete it, take the # away, and add the devices to your plant.toml"
        )


def _decoded(survey: Survey, args: argparse.Namespace) -> Iterable[list[str]]:
    if not args.registers:
        return
    registers = span(args.registers, "--registers", 0, REGISTER_MAX)
    for unit in survey.units.values():
        for table, words in ((one, unit.tables.get(one, {})) for one in REGISTERS):
            for decoded in decode_rows(words, table, registers, args.expect):
                if args.expect is None or any(one.mark for one in decoded):
                    yield [f"unit {unit.unit} at {unit.address}, {table}", *decode_table.lines(decoded, words)]


def _say(lines: Iterable[str]) -> None:
    for line in lines:
        print(line)
    sys.stdout.flush()


class Steps:
    """One bar per step of the survey."""

    def __init__(self) -> None:
        self._what = ""
        self._bar: Progress | None = None

    def __call__(self, what: str, done: int, whole: int) -> None:
        """Say how far the step is."""
        if what != self._what or self._bar is None:
            self.done()
            self._what, self._bar = what, Progress(what)
        self._bar(done, max(whole, 1))

    def done(self) -> None:
        """End the bar of the last step."""
        if self._bar is not None:
            self._bar.done()
        self._bar = None
