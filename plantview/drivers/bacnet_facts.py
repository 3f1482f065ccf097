"""What browsing finds out about BACnet devices and objects, as plain values that can be kept in a file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from bacpypes3.basetypes import ErrorType, PriorityArray, StatusFlags
from bacpypes3.primitivedata import BitString, Null

ANSWERED: Final = "answered Who-Is"
ASKED: Final = "answered no Who-Is; asked directly"
DEVICE_PROPERTIES: Final = (
    "object-name",
    "vendor-name",
    "vendor-identifier",
    "model-name",
    "firmware-revision",
    "description",
    "location",
    "max-apdu-length-accepted",
    "segmentation-supported",
    "protocol-revision",
    "protocol-services-supported",
)
_FLAGS: Final = ("in alarm", "fault", "overridden", "out of service")
_WITH_UNITS: Final = frozenset(
    {
        "analog-input",
        "analog-output",
        "analog-value",
        "accumulator",
        "large-analog-value",
        "integer-value",
        "positive-integer-value",
        "pulse-converter",
        "averaging",
    }
)
_BINARY: Final = frozenset({"binary-input", "binary-output", "binary-value"})
_MULTI: Final = frozenset({"multi-state-input", "multi-state-output", "multi-state-value"})
VALUED: Final = _WITH_UNITS | _BINARY | _MULTI
_NAMED_ONLY: Final = ("object-name", "description")

Untyped = Any
"""What the protocol stacks hand over: they have no type information."""
Scalar = float | int | str | None
"""Null, a refusal and an undecodable value are None."""


@dataclass(frozen=True, slots=True)
class Announced:
    """A device as it made itself known."""

    instance: int
    address: str
    max_apdu: int
    segmentation: str
    vendor_id: int
    how: str = ANSWERED


@dataclass(frozen=True, slots=True)
class ObjectFacts:
    """One object, read without changing anything."""

    identifier: str
    """``analog-input,3``."""
    name: str
    description: str
    units: str
    """BACnet's word, such as ``degrees-fahrenheit``; empty where the object has none."""
    value: Scalar
    states: tuple[str, ...]
    """Words of its states: inactive, active; or from state 1 on."""
    flags: tuple[str, ...]
    priorities: tuple[tuple[int, Scalar], ...]
    """Entries of the priority array that hold a value, most important first."""
    commandable: bool
    """Whether it has a priority array."""
    trouble: str
    """What could not be read, in the device's words."""

    @property
    def kind(self) -> str:
        """Return the object type."""
        return self.identifier.partition(",")[0]


def properties_of(kind: str) -> tuple[str, ...]:
    """Return what is read of an object of a kind."""
    if kind not in VALUED:
        return _NAMED_ONLY
    read = [*_NAMED_ONLY, "present-value", "status-flags"]
    if kind in _WITH_UNITS:
        read.append("units")
    if kind in _BINARY:
        read += ["inactive-text", "active-text"]
    if kind in _MULTI:
        read.append("state-text")
    if kind.endswith(("-output", "-value")):
        read.append("priority-array")
    return tuple(read)


def facts(identifier: str, items: dict[str, Any], trouble: Sequence[str] = ()) -> ObjectFacts:
    """Return the facts of an object from its properties as bacpypes3 decoded them."""
    array = items.get("priority-array")
    texts = items.get("state-text")
    states = [text(items.get(name)) for name in ("inactive-text", "active-text")] if texts is None else map(text, texts)
    flags = items.get("status-flags")
    return ObjectFacts(
        identifier,
        text(items.get("object-name")),
        text(items.get("description")),
        text(items.get("units")),
        scalar(items.get("present-value")),
        tuple(states) if texts is not None or "active-text" in items else (),
        tuple(word for word, bit in zip(_FLAGS, flags, strict=False) if bit) if isinstance(flags, StatusFlags) else (),
        priorities(array) if isinstance(array, PriorityArray) else (),
        isinstance(array, PriorityArray),
        "; ".join(trouble),
    )


def priorities(array: Untyped) -> tuple[tuple[int, Scalar], ...]:
    """Return (priority, value) of the slots that are not empty."""
    slots = ((at, getattr(slot, slot._choice)) for at, slot in enumerate(array, start=1) if slot._choice != "null")  # noqa: SLF001
    return tuple((at, scalar(value)) for at, value in slots)


def scalar(value: Untyped) -> Scalar:
    """Return a value as a plain number or text."""
    if value is None or isinstance(value, ErrorType | Null | tuple | list):
        return None
    if isinstance(value, float):
        return float(value)
    return int(value) if isinstance(value, int) else str(value)


def text(value: Untyped) -> str:
    """Return a value as text, empty where there is none."""
    return "" if value is None or isinstance(value, ErrorType) else str(value)


def services(value: Untyped) -> tuple[str, ...]:
    """Return the words of the bits that are set, for example the services a device supports."""
    return tuple(filter(None, str(value).split(";"))) if isinstance(value, BitString) else ()
