"""Addresses as the point list and the device tables write them."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from plantview.config.problems import near
from plantview.model.point import BacnetAddress, ModbusAddress

BACNET_TYPES: Final = (
    "analog-input",
    "analog-output",
    "analog-value",
    "binary-input",
    "binary-output",
    "binary-value",
    "multi-state-input",
    "multi-state-output",
    "multi-state-value",
    "accumulator",
    "large-analog-value",
    "integer-value",
    "positive-integer-value",
)
MODBUS_TABLES: Final = ("holding", "input", "coil", "discrete")
MODBUS_TYPES: Final = ("uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64")
ORDERS: Final = ("ABCD", "CDAB", "BADC", "DCBA")


@dataclass
class AddressProblem(Exception):
    """An address that cannot be read."""

    column: str
    wrong: str
    remedy: str


def bacnet_address(text: str) -> BacnetAddress:
    """Return ``analog-input,3`` as an object; AddressProblem says what is wrong."""
    kind, _, number = text.partition(",")
    kind, number = kind.strip(), number.strip()
    if kind not in BACNET_TYPES:
        raise AddressProblem(
            "address", f"'{text}' names no BACnet object", near(kind, BACNET_TYPES) + "; write analog-input,3"
        )
    if not number.isdigit() or int(number) > 4_194_302:
        raise AddressProblem(
            "address", f"'{number}' is no object instance", "write analog-input,3 with an instance of 0 to 4194302"
        )
    return BacnetAddress(kind, int(number))


def modbus_address(cells: Mapping[str, str]) -> ModbusAddress:
    """Return ``holding 100`` with its type, byte order and scale; AddressProblem says what is wrong."""
    match = re.fullmatch(r"(\w+)\s+(\d+)", cells.get("address", ""))
    if match is None or match[1] not in MODBUS_TABLES or int(match[2]) > 65_535:
        raise AddressProblem(
            "address",
            f"'{cells.get('address', '')}' is no Modbus address",
            "write holding 100, input 100, coil 5 or discrete 5, counted from 0 as sent on the wire",
        )
    table, first = match[1], int(match[2])
    kind = cells.get("type", "") or ("bit:0" if table in {"coil", "discrete"} else "")
    if kind not in MODBUS_TYPES and not re.fullmatch(r"bit:(\d|1[0-5])", kind):
        raise AddressProblem("type", f"'{kind}' is no Modbus type", near(kind, (*MODBUS_TYPES, "bit:0")))
    order = cells.get("order", "") or "ABCD"
    if order not in ORDERS:
        raise AddressProblem("order", f"'{order}' is no byte order", near(order, ORDERS))
    address = ModbusAddress(
        table,
        first,
        kind,
        order,
        _number(cells, "scale", 1.0),
        _number(cells, "offset", 0.0),
        _raw_values(cells.get("na", "")),
    )
    if first + address.count > 65_536:
        raise AddressProblem("address", f"{address} runs past register 65535", "correct the address")
    return address


def _number(cells: Mapping[str, str], column: str, default: float) -> float:
    text = cells.get(column, "")
    try:
        value = float(text) if text else default
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or (column == "scale" and value == 0):
        raise AddressProblem(column, f"'{text}' is no {column}", "write a plain number such as 0.1")
    return value


def _raw_values(text: str) -> tuple[int, ...]:
    try:
        return tuple(int(part, 0) for part in text.replace("|", " ").split())
    except ValueError:
        raise AddressProblem("na", f"'{text}' is no raw value", "write 0x8000, several separated by |") from None


def host_port(text: str, default_port: int) -> tuple[str, int]:
    """Return host and UDP or TCP port of ``192.168.1.5`` or ``192.168.1.5:502``."""
    host, _, port = text.partition(":")
    if not re.fullmatch(r"[A-Za-z0-9.-]+", host) or (port and not port.isdigit()):
        raise AddressProblem("address", f"'{text}' is no address", f"write 192.168.1.5 or 192.168.1.5:{default_port}")
    number = int(port) if port else default_port
    if not 0 < number < 65_536:
        raise AddressProblem("address", f"port {number} is out of range", "ports are 1 to 65535")
    return host, number
