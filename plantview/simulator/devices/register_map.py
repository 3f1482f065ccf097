"""The register map of one Modbus unit: what can be read, what can be written, what is a hole."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final, cast

from plantview.model.point import ModbusAddress, Point
from plantview.simulator.devices.contract import Simulated
from plantview.simulator.devices.registers import bit_of, is_bit, pack, unpack

TABLES: Final = ("holding", "input", "coil", "discrete")


class NoSuchRegister(LookupError):
    """An address that the map does not have, or does not let be written."""


class ValueRefused(ValueError):
    """A number that the device does not accept for this register."""


class RegisterMap:
    """Four tables of address -> number, kept in step with the points of one unit."""

    def __init__(self, points: Iterable[Point], simulated: Simulated) -> None:
        self._simulated = simulated
        self._points = [(point, cast(ModbusAddress, point.address)) for point in points]
        self._shown: dict[str, float] = {}
        self._tables: dict[str, dict[int, int]] = {table: {} for table in TABLES}
        self._writable: dict[tuple[str, int], list[tuple[Point, ModbusAddress]]] = {}
        for point, address in self._points:
            for register in _span(address):
                self._tables[address.table][register] = 0
                self._writable.setdefault((address.table, register), []).append((point, address))
        read_only = {key for key, users in self._writable.items() if not all(point.commandable for point, _ in users)}
        for key in read_only:
            del self._writable[key]

    def refresh(self, reported: Mapping[str, float]) -> None:
        """Show what the plant reports; registers of unchanged points are left alone."""
        for point, address in self._points:
            value = reported.get(point.name, math.nan)
            if self._shown.get(point.name) != value:
                self._shown[point.name] = value
                self._show(address, value)

    def read(self, table: str, first: int, count: int) -> list[int]:
        """Return the numbers of ``count`` addresses; NoSuchRegister if one of them is a hole."""
        numbers = self._tables[table]
        try:
            return [numbers[register] for register in range(first, first + count)]
        except KeyError as hole:
            raise NoSuchRegister(f"{table} {hole}") from None

    def write(self, table: str, first: int, words: Sequence[int]) -> None:
        """Command every point in the span; all or nothing.

        NoSuchRegister: a hole, a read-only register, or part of a point; ValueRefused: outside its limits.
        """
        written = dict(enumerate(words, first))
        orders = [(point, address, self._value(point, address, written)) for point, address in self._covered(table, written)]
        for point, address, value in orders:
            self._simulated.command(point.name, value)
            self._shown[point.name] = value
            self._show(address, value)

    def _covered(self, table: str, written: Mapping[int, int]) -> Iterator[tuple[Point, ModbusAddress]]:
        seen: set[str] = set()
        for register in written:
            if (table, register) not in self._writable:
                raise NoSuchRegister(f"{table} {register} cannot be written")
            for point, address in self._writable[table, register]:
                if not all(part in written for part in _span(address)):
                    raise NoSuchRegister(f"{address} has {address.count} registers, write them together")
                if point.name not in seen:
                    seen.add(point.name)
                    yield point, address

    def _value(self, point: Point, address: ModbusAddress, written: Mapping[int, int]) -> float:
        if is_bit(address):
            value = float(written[address.first] >> bit_of(address) & 1)
        else:
            value = unpack(address, [written[register] for register in _span(address)])
        if not point.low <= value <= point.high or (point.states and value not in point.states):
            raise ValueRefused(f"{address} does not accept {value:g}")
        return value

    def _show(self, address: ModbusAddress, value: float) -> None:
        numbers = self._tables[address.table]
        if not is_bit(address):
            words = pack(address, value)
            if words is not None:  # a map without a mark for "no data" keeps showing its last number
                numbers.update(enumerate(words, address.first))
        elif math.isfinite(value):
            bit = 1 << bit_of(address)
            numbers[address.first] = numbers[address.first] & ~bit | (bit if value else 0)


def _span(address: ModbusAddress) -> range:
    return range(address.first, address.first + address.count)
