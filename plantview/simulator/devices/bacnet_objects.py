"""BACnet objects made from the points of a controller."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final, cast

from bacpypes3 import object as standard
from bacpypes3.local.analog import AnalogInputObject, AnalogOutputObject, AnalogValueObject
from bacpypes3.local.binary import BinaryInputObject, BinaryOutputObject, BinaryValueObject
from bacpypes3.local.device import DeviceObject
from bacpypes3.local.multistate import MultiStateInputObject, MultiStateOutputObject, MultiStateValueObject
from bacpypes3.local.object import Object

from plantview.model.plant import Device
from plantview.model.point import BacnetAddress, Point
from plantview.simulator.devices.bacnet_access import Command, Commanded, Guarded, Shown
from plantview.simulator.devices.bacnet_units import engineering_units

VENDOR_ID: Final = 999
PROTOCOL_REVISION: Final = 14
"""Below 17, from where on a device must have a network port object (from memory)."""


class ControllerObject(Guarded, DeviceObject):  # type: ignore[misc]
    """The device object: nothing of it can be written."""


ObjectClass = Any
"""A class of the protocol stack, which has no type information."""


def _class(name: str, access: type, *bases: type) -> ObjectClass:
    return type(name, (access, *bases), {})


_SHOWN: Final[dict[str, ObjectClass]] = {
    "analog-input": _class("ShownAnalogInput", Shown, AnalogInputObject),
    "analog-value": _class("ShownAnalogValue", Shown, AnalogValueObject),
    "binary-input": _class("ShownBinaryInput", Shown, BinaryInputObject),
    "binary-value": _class("ShownBinaryValue", Shown, BinaryValueObject),
    "multi-state-input": _class("ShownMultiStateInput", Shown, MultiStateInputObject),
    "multi-state-value": _class("ShownMultiStateValue", Shown, MultiStateValueObject),
    "large-analog-value": _class("ShownLargeAnalog", Shown, Object, standard.LargeAnalogValueObject),
    "integer-value": _class("ShownInteger", Shown, Object, standard.IntegerValueObject),
    "positive-integer-value": _class("ShownPositiveInteger", Shown, Object, standard.PositiveIntegerValueObject),
    "accumulator": _class("ShownAccumulator", Shown, Object, standard.AccumulatorObject),
}
_COMMANDED: Final[dict[str, ObjectClass]] = {
    "analog-output": _class("CommandedAnalogOutput", Commanded, AnalogOutputObject),
    "analog-value": _class("CommandedAnalogValue", Commanded, AnalogValueObject),
    "binary-output": _class("CommandedBinaryOutput", Commanded, BinaryOutputObject),
    "binary-value": _class("CommandedBinaryValue", Commanded, BinaryValueObject),
    "multi-state-output": _class("CommandedMultiStateOutput", Commanded, MultiStateOutputObject),
    "multi-state-value": _class("CommandedMultiStateValue", Commanded, MultiStateValueObject),
}
_OUTPUTS: Final = frozenset({"analog-output", "binary-output", "multi-state-output"})
"""Outputs are commandable by the standard, whatever the point list says."""
_WHOLE: Final = frozenset({"integer-value", "positive-integer-value", "accumulator"})


def controller_object(device: Device) -> ControllerObject:
    """Return the device object of a controller."""
    return ControllerObject(
        objectIdentifier=("device", device.unit),
        objectName=device.id,
        description=device.label,
        vendorIdentifier=VENDOR_ID,
        vendorName="simulated",
        modelName="simulated controller",
        protocolRevision=PROTOCOL_REVISION,
    )


def point_object(point: Point, command: Command) -> Shown:
    """Return the object that shows a point; ``command`` takes what an outsider commands it to."""
    address = cast(BacnetAddress, point.address)
    kind = address.object_type
    family = kind.rpartition("-")[0]
    commandable = kind in _OUTPUTS or (point.commandable and kind in _COMMANDED)
    properties: dict[str, Any] = {
        "objectIdentifier": f"{kind},{address.instance}",
        "objectName": point.name,
        "description": point.label,
        "eventState": "normal",
        "outOfService": False,
        "reliability": "no-fault-detected",
        **_FAMILIES.get(family, _numeric)(point),
    }
    first = _first_value(point, kind)
    if not commandable:
        return cast(Shown, _SHOWN[kind](presentValue=first, **properties))
    made = cast(Commanded, _COMMANDED[kind](relinquishDefault=first, **properties))
    made.bind(lambda value: point.low <= value <= point.high and (not point.states or value in point.states), command)
    return made


def present_value(point: Point, value: float) -> float:
    """Return a reported number as this object type holds it."""
    kind = cast(BacnetAddress, point.address).object_type
    return round(value) if math.isfinite(value) and (point.states or kind in _WHOLE) else value


def _first_value(point: Point, kind: str) -> float:
    if point.states:
        return min(point.states)
    return 0 if kind in _WHOLE else 0.0


def _analog(point: Point) -> Mapping[str, Any]:
    limits = {"minPresValue": point.low, "maxPresValue": point.high}
    return {
        "units": engineering_units(point.unit.name),
        "covIncrement": 0.1,
        **{name: limit for name, limit in limits.items() if math.isfinite(limit)},
    }


def _numeric(point: Point) -> Mapping[str, Any]:
    return {"units": engineering_units(point.unit.name)}


def _binary(point: Point) -> Mapping[str, Any]:
    words = {"inactiveText": point.states.get(0, ""), "activeText": point.states.get(1, "")}
    has_polarity = cast(BacnetAddress, point.address).object_type != "binary-value"
    return words | {"polarity": "normal"} if has_polarity else words


def _multi_state(point: Point) -> Mapping[str, Any]:
    count = max(point.states)
    return {"numberOfStates": count, "stateText": [point.states.get(state, "") for state in range(1, count + 1)]}


_FAMILIES: Final = {"analog": _analog, "binary": _binary, "multi-state": _multi_state}
