"""Where a value stands in a Modbus map, and what its registers mean, as the point list writes it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Final

from plantview.config.addresses import AddressProblem
from plantview.config.problems import near
from plantview.model.point import REGISTERS_OF, ModbusAddress

MODBUS_TABLES: Final = ("holding", "input", "coil", "discrete")
MODBUS_TYPES: Final = (*REGISTERS_OF, "bit:N", "bits:A-B", "mod10k:3", "mod10k:4", "string:N")
ORDERS: Final = ("ABCD", "CDAB", "BADC", "DCBA")
ORDERS_64: Final = {"ABCDEFGH": "ABCD", "GHEFCDAB": "CDAB", "BADCFEHG": "BADC", "HGFEDCBA": "DCBA"}
"""The same four orders, spelled out for eight octets."""
STRING_REGISTERS_MAX: Final = 60
REACH_MAX: Final = 125
"""Registers of one request: value and scale register must come in the same one, or they are of two moments."""
_BIT: Final = re.compile(r"bit:(\d|1[0-5])")
_BITS: Final = re.compile(r"bits:(\d|1[0-5])-(\d|1[0-5])")
_SIZED: Final = {"mod10k": range(2, 5), "string": range(1, STRING_REGISTERS_MAX + 1)}


def modbus_address(cells: Mapping[str, str]) -> ModbusAddress:
    """Return ``holding 100`` with its type, byte order and scale; AddressProblem says what is wrong."""
    table, first = _place(cells.get("address", ""))
    kind = _kind(cells.get("type", ""), table)
    address = ModbusAddress(
        table,
        first,
        kind,
        _order(cells.get("order", ""), kind),
        _number(cells, "scale", 1.0),
        _number(cells, "offset", 0.0),
        raw_values(cells, "na"),
        raw_values(cells, "over"),
        raw_values(cells, "under"),
        _scale_register(cells.get("scale_register", ""), table),
    )
    start, end = address.reach
    if end > 65_536:
        raise AddressProblem("address", f"{address} runs past register 65535", "correct the address")
    if end - start > REACH_MAX:
        raise AddressProblem(
            "scale_register",
            f"register {address.scale_register} is too far from {address}",
            f"value and scale register must fit one request of {REACH_MAX} registers: write a fixed scale instead",
        )
    return address


def _place(text: str) -> tuple[str, int]:
    match = re.fullmatch(r"(\w+)\s+(\d+)", text)
    if match is None or match[1] not in MODBUS_TABLES or int(match[2]) > 65_535:
        raise AddressProblem(
            "address",
            f"'{text}' is no Modbus address",
            "write holding 100, input 100, coil 5 or discrete 5, counted from 0 as sent on the wire",
        )
    return match[1], int(match[2])


def _kind(text: str, table: str) -> str:
    kind = text or ("bit:0" if table in {"coil", "discrete"} else "")
    name, _, number = kind.partition(":")
    bits = _BITS.fullmatch(kind)
    sized = number.isdigit() and int(number) in _SIZED.get(name, ())
    if kind in REGISTERS_OF or _BIT.fullmatch(kind) or sized or (bits and int(bits[1]) <= int(bits[2])):
        return kind
    raise AddressProblem("type", f"'{kind}' is no Modbus type", near(kind, (*MODBUS_TYPES, "bit:0")))


def _order(text: str, kind: str) -> str:
    order = ORDERS_64.get(text, text) if kind in REGISTERS_OF and REGISTERS_OF[kind] == 4 else text
    if not order and kind.startswith("mod10k:"):
        raise AddressProblem(
            "order",
            f"{kind} does not say which register holds the lowest digits",
            "write CDAB where the lowest address does (usual for meters), ABCD where the highest does",
        )
    if (order or "ABCD") not in ORDERS:
        raise AddressProblem("order", f"'{text}' is no byte order", near(text, ORDERS))
    return order or "ABCD"


def _scale_register(text: str, table: str) -> int | None:
    if not text:
        return None
    match = re.fullmatch(r"(?:(\w+)\s+)?(\d+)", text)
    if match is None or (match[1] or table) != table or int(match[2]) > 65_535 or table in {"coil", "discrete"}:
        raise AddressProblem("scale_register", f"'{text}' is no register of the {table} table", f"write {table} 105")
    return int(match[2])


def _number(cells: Mapping[str, str], column: str, default: float) -> float:
    text = cells.get(column, "")
    try:
        value = float(text) if text else default
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or (column == "scale" and value == 0):
        raise AddressProblem(column, f"'{text}' is no {column}", "write a plain number such as 0.1")
    return value


def raw_values(cells: Mapping[str, str], column: str) -> tuple[int, ...]:
    """Return the raw values of one cell, such as ``0x8000|0x7FFF``."""
    text = cells.get(column, "")
    try:
        return tuple(int(part, 0) for part in text.replace("|", " ").split())
    except ValueError:
        raise AddressProblem(column, f"'{text}' is no raw value", "write 0x8000, several separated by |") from None
