"""Addresses as the point list and the device tables write them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from plantview.config.problems import near
from plantview.model.point import BacnetAddress

INSTANCE_MAX: Final = 4_194_302
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


@dataclass
class AddressProblem(Exception):
    """An address that cannot be read."""

    column: str
    wrong: str
    remedy: str


def bacnet_address(cells: Mapping[str, str]) -> BacnetAddress:
    """Return ``analog-input,3`` as an object, with its ``cov`` and ``trend_log``; AddressProblem says what is wrong."""
    text = cells.get("address", "")
    kind, _, number = text.partition(",")
    kind, number = kind.strip(), number.strip()
    if kind not in BACNET_TYPES:
        raise AddressProblem(
            "address", f"'{text}' names no BACnet object", near(kind, BACNET_TYPES) + "; write analog-input,3"
        )
    if not number.isdigit() or int(number) > INSTANCE_MAX:
        raise AddressProblem(
            "address", f"'{number}' is no object instance", "write analog-input,3 with an instance of 0 to 4194302"
        )
    return BacnetAddress(kind, int(number), _yes(cells.get("cov", "")), _trend_log(cells.get("trend_log", "")))


def _yes(text: str) -> bool:
    if text.lower() not in {"", "yes", "no"}:
        raise AddressProblem("cov", f"'{text}' is neither yes nor no", "write yes, or leave the cell empty")
    return text.lower() == "yes"


def _trend_log(text: str) -> int | None:
    number = text.removeprefix("trend-log,")
    if text and not (number.isdigit() and int(number) <= INSTANCE_MAX):
        raise AddressProblem("trend_log", f"'{text}' names no trend log", "write trend-log,3 or leave the cell empty")
    return int(number) if text else None


def host_port(text: str, default_port: int) -> tuple[str, int]:
    """Return host and UDP or TCP port of ``192.168.1.5`` or ``192.168.1.5:502``."""
    host, _, port = text.partition(":")
    if not re.fullmatch(r"[A-Za-z0-9.-]+", host) or (port and not port.isdigit()):
        raise AddressProblem("address", f"'{text}' is no address", f"write 192.168.1.5 or 192.168.1.5:{default_port}")
    number = int(port) if port else default_port
    if not 0 < number < 65_536:
        raise AddressProblem("address", f"port {number} is out of range", "ports are 1 to 65535")
    return host, number


def routed(text: str) -> tuple[int | None, str, str]:
    """Return network, station and router of ``100:2@192.168.1.5``; no network where there is no ``@``."""
    station, at, router = text.rpartition("@")
    if not at:
        return None, "", text
    network, _, mac = station.partition(":")
    if not network.isdigit() or not 0 < int(network) < 65_535:
        raise AddressProblem("address", f"'{network}' is no network number", "write 100:2@192.168.1.5 with 1 to 65534")
    return int(network), station_mac(mac), router


def station_mac(text: int | str) -> str:
    """Return a station as hex octets: a number 0 to 255 for MS/TP, or ``0A:00:01:05:BA:C0``."""
    if str(text).isdigit() and int(text) <= 255:
        return f"{int(text):02x}"
    octets = str(text).split(":")
    if len(octets) in range(2, 8) and all(re.fullmatch(r"[0-9A-Fa-f]{2}", octet) for octet in octets):
        return "".join(octets).lower()
    raise AddressProblem("mac", f"'{text}' is no station", "write its number, 0 to 255, or octets as 0A:00:01:05:BA:C0")
