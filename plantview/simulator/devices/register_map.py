"""The register map of one Modbus unit: what can be read, what can be written, what is a hole."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final, cast

from plantview.model.point import ModbusAddress, Point
from plantview.simulator.devices.contract import Simulated
from plantview.simulator.devices.registers import field_of, is_field, is_text, pack, unpack
from plantview.simulator.devices.scale_register import ScaleRegister

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
        self._scales: dict[tuple[str, int], ScaleRegister] = {}
        self._writable: dict[tuple[str, int], list[tuple[Point, ModbusAddress]]] = {}
        for point, address in self._points:
            self._lay_out(point, address)
        read_only = {key for key, users in self._writable.items() if not all(_takes(*user) for user in users)}
        for key in read_only | set(self._scales):
            self._writable.pop(key, None)

    def refresh(self, reported: Mapping[str, float]) -> None:
        """Show what the plant reports; registers of unchanged points are left alone."""
        for point, address in self._points:
            value = reported.get(point.name, math.nan)
            if self._shown.get(point.name) != value:
                self._take(point, address, value)

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
        orders = [
            (point, address, self._value(point, address, written)) for point, address in self._covered(table, written)
        ]
        for point, address, value in orders:
            self._simulated.command(point.name, value)
            self._take(point, address, value)

    def _lay_out(self, point: Point, address: ModbusAddress) -> None:
        for register in _span(address):
            self._tables[address.table][register] = 0
            self._writable.setdefault((address.table, register), []).append((point, address))
        if address.scale_register is not None:
            scale = self._scales.setdefault((address.table, address.scale_register), ScaleRegister())
            self._tables[address.table][address.scale_register] = scale.word

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
        if is_field(address):
            shift, mask = field_of(address)
            value = float(written[address.first] >> shift & mask)
        else:
            value = unpack(address, [written[register] for register in _span(address)])
        scale = self._scale(address)
        value = scale.value(value) if scale else value
        if not point.low <= value <= point.high or (point.states and value not in point.states):
            raise ValueRefused(f"{address} does not accept {value:g}")
        return value

    def _take(self, point: Point, address: ModbusAddress, value: float) -> None:
        self._shown[point.name] = value
        scale = self._scale(address)
        if scale is None or not scale.admit(point.name, address, value):
            self._show(point, address, value)
            return
        place = (address.table, cast(int, address.scale_register))
        self._tables[place[0]][place[1]] = scale.word
        for other, at in self._points:  # all values of this exponent, in the same moment
            if (at.table, at.scale_register) == place and other.name in self._shown:
                self._show(other, at, self._shown[other.name])

    def _scale(self, address: ModbusAddress) -> ScaleRegister | None:
        return None if address.scale_register is None else self._scales[address.table, address.scale_register]

    def _show(self, point: Point, address: ModbusAddress, value: float) -> None:
        numbers = self._tables[address.table]
        if not is_field(address):
            scale = self._scale(address)
            words = pack(address, scale.scaled(value) if scale else value, point.states)
            if words is not None:  # a map without a mark for "no data" keeps showing its last number
                numbers.update(enumerate(words, address.first))
        elif math.isfinite(value):
            shift, mask = field_of(address)
            numbers[address.first] = numbers[address.first] & ~(mask << shift) | (
                min(max(round(value), 0), mask) << shift
            )


def _takes(point: Point, address: ModbusAddress) -> bool:
    return point.commandable and not is_text(address)


def _span(address: ModbusAddress) -> range:
    return range(address.first, address.first + address.count)
