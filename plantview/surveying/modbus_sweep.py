"""Finds the units behind a Modbus TCP address and reads their registers, one question at a time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from plantview.drivers.modbus_browse import ModbusBrowser
from plantview.surveying.bacnet_sweep import Keep, Progress
from plantview.surveying.decode_table import Decoding, decodings
from plantview.surveying.results import FoundUnit, Survey

REGISTERS: Final = ("holding", "input")
BITS: Final = ("coil", "discrete")


async def find_units(
    browser: ModbusBrowser, survey: Survey, address: str, units: Sequence[int], keep: Keep, progress: Progress
) -> None:
    """Ask every unit id once; one that an earlier survey found is not asked again."""
    for at, unit in enumerate(units):
        progress(f"units behind {address}", at, len(units))
        known = survey.units.get(f"{address}/{unit}")
        if known is None or not known.there:
            answer = await browser.unit(unit)
            identity = await browser.identity(unit) if answer.there else ""
            found = FoundUnit(address, unit, answer.there, answer.said, identity=identity)
            survey.units[found.key] = found
            keep()
    progress(f"units behind {address}", len(units), len(units))


async def read_tables(
    browser: ModbusBrowser,
    survey: Survey,
    address: str,
    tables: Sequence[str],
    numbers: tuple[int, int],
    keep: Keep,
    progress: Progress,
) -> None:
    """Read a range of some tables of every unit that answered; a table already read is left alone."""
    first, last = numbers
    span = f"{first}-{last}"
    present = [unit for unit in survey.units.values() if unit.address == address and unit.there]
    jobs = [(unit, table) for unit in present for table in tables if unit.swept.get(table) != span]
    what = "bits" if tables == BITS else "registers"
    for at, (unit, table) in enumerate(jobs):
        progress(f"{what} of unit {unit.unit}", at, len(jobs))
        sweep = await browser.registers(unit.unit, table, first, last)
        unit.tables.setdefault(table, {}).update(sweep.words)
        unit.swept[table] = f"{span}: {sweep.trouble}" if sweep.trouble else span
        keep()
    progress(f"{what} behind {address}", len(jobs), len(jobs))


def decode_rows(
    words: Mapping[int, int], table: str, registers: tuple[int, int], expected: float | None
) -> Iterable[list[Decoding]]:
    """Yield the decode table of every register of a range that was read and is not empty."""
    for first in range(registers[0], registers[1] + 1):
        if first in words and (words[first] or words.get(first + 1)):
            yield decodings(words, first, table, expected)
