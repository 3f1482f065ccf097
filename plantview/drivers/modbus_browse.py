"""Looks around behind one Modbus TCP address: which units answer, which registers they have. Reads only."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Final

from plantview.drivers.modbus_reader import ILLEGAL_ADDRESS, ILLEGAL_VALUE, REGISTERS_MAX, ModbusReader
from plantview.errors import DeviceRefused, DeviceSilent, DriverError, ReplyUnusable

_NO_SUCH_PLACE: Final = frozenset({ILLEGAL_ADDRESS, ILLEGAL_VALUE})
_OWN_REFUSALS: Final = frozenset({"1", "2", "3"})
"""Exceptions that only the unit itself can give: function, address or value. Some servers say 4 for an absent unit."""
_REVISION: Final = 2
"""Last of the three basic objects of a device identification."""
STEPS: Final = (REGISTERS_MAX, 16, 2, 1)
"""A refused block is asked again in smaller ones; in pairs too, since some devices refuse half of a wide value."""
REFUSED_BLOCKS_MAX: Final = 1_000
"""Refusals after which a table is left alone: some servers stop for half a second over each."""


@dataclass(frozen=True, slots=True)
class UnitAnswer:
    """What one unit id did when it was asked for one register."""

    unit: int
    there: bool
    """Whether anything answered for it: a value, or its own refusal."""
    said: str


@dataclass(frozen=True, slots=True)
class RegisterSweep:
    """Registers of one table of one unit."""

    table: str
    words: dict[int, int]
    """Address on the wire -> register; what the unit does not have is missing."""
    requests: int
    trouble: str
    """Why the sweep ended early; empty if it covered the range."""


@contextlib.asynccontextmanager
async def modbus_browsing(host: str, port: int, *, within_s: float = 1.5) -> AsyncIterator[ModbusBrowser]:
    """Open one connection for the length of a ``with`` block."""
    reader = ModbusReader(host, port)
    try:
        yield ModbusBrowser(reader, within_s)
    finally:
        reader.close()


class ModbusBrowser:
    """Asks one question at a time; it has no method that writes."""

    def __init__(self, reader: ModbusReader, within_s: float) -> None:
        self._reader, self._within_s = reader, within_s

    async def unit(self, unit: int) -> UnitAnswer:
        """Ask a unit for one holding and, if it has none there, one input register; DeviceUnreachable if no connection."""
        there, said = False, ""
        for table in ("holding", "input"):
            try:
                await self._words(unit, table, 0, 1)
            except DeviceRefused as error:
                there, said = there or error.code in _OWN_REFUSALS, error.detail
            except DeviceSilent as error:
                return UnitAnswer(unit, False, error.detail)
            except ReplyUnusable as error:
                there, said = True, error.detail
            else:
                return UnitAnswer(unit, True, f"answers with {table} register 0")
        return UnitAnswer(unit, there, "answers, but has no register 0" if there and _has_none(said) else said)

    async def identity(self, unit: int) -> str:
        """Return maker, product code and revision as the unit tells them; empty where it does not, as most do not."""
        try:
            told = await self._reader.identity(f"unit {unit}", unit, within_s=self._within_s)
        except (DeviceRefused, DeviceSilent, ReplyUnusable):
            return ""
        return " ".join(filter(None, (told[number].strip() for number in sorted(told) if number <= _REVISION)))

    async def registers(self, unit: int, table: str, first: int, last: int) -> RegisterSweep:
        """Read all registers (or bits) from ``first`` to ``last`` that the unit has, narrowing down around those it lacks."""
        words: dict[int, int] = {}
        waiting = _parts(first, last, STEPS[0])
        requests = refused = 0
        while waiting:
            start, end = waiting.pop()
            requests += 1
            try:
                words |= dict(enumerate(await self._words(unit, table, start, end - start + 1), start))
            except DeviceRefused as error:
                refused += 1
                if error.code not in _NO_SUCH_PLACE or refused > REFUSED_BLOCKS_MAX:
                    return RegisterSweep(table, words, requests, f"{error.detail} from register {start} on")
                if start < end:
                    waiting += _parts(start, end, next(step for step in STEPS if step <= end - start))
            except DriverError as error:
                return RegisterSweep(table, words, requests, error.detail)
        return RegisterSweep(table, words, requests, "")

    async def _words(self, unit: int, table: str, first: int, count: int) -> list[int]:
        return await self._reader.read(f"unit {unit}", unit, table, first, count, within_s=self._within_s)


def _has_none(said: str) -> bool:
    return "illegal data address" in said


def _parts(first: int, last: int, size: int) -> list[tuple[int, int]]:
    """Return a range in parts, the first one last, as a stack wants them."""
    return [(at, min(at + size - 1, last)) for at in range(first, last + 1, size)][::-1]
