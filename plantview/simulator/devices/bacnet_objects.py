"""BACnet objects made from the points of a controller."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final, cast

from bacpypes3 import object as standard
from bacpypes3.basetypes import BinaryPV
from bacpypes3.local.analog import AnalogInputObject, AnalogOutputObject, AnalogValueObject
from bacpypes3.local.binary import BinaryInputObject, BinaryOutputObject, BinaryValueObject
from bacpypes3.local.cov import COVIncrementCriteria, GenericCriteria
from bacpypes3.local.multistate import MultiStateInputObject, MultiStateOutputObject, MultiStateValueObject
from bacpypes3.local.object import Object

from plantview.model.point import BacnetAddress, Point
from plantview.simulator.devices.bacnet_access import Shown, computed
from plantview.simulator.devices.bacnet_commanded import Command, Commanded
from plantview.simulator.devices.bacnet_units import engineering_units
from plantview.simulator.devices.device_clock import DeviceClock

ObjectClass = Any
"""A class of the protocol stack, which has no type information."""


class Followed(Commanded):
    """A binary output that knows whether what it starts runs."""

    _feedback: Callable[[], float] | None = None

    @computed
    def feedbackValue(self) -> BinaryPV | None:  # noqa: N802 - the standard's name
        """Return the status that comes back from the machine; None where none is wired."""
        return BinaryPV(int(self._feedback())) if self._feedback else None

    def follow(self, feedback: Callable[[], float]) -> None:
        """Take the status from another object."""
        self._feedback = feedback


def _class(name: str, access: type, *bases: type, **more: Any) -> ObjectClass:
    return type(name, (access, *bases), more)


_SHOWN: Final[dict[str, ObjectClass]] = {
    "analog-input": _class("ShownAnalogInput", Shown, AnalogInputObject),
    "analog-value": _class("ShownAnalogValue", Shown, AnalogValueObject),
    "binary-input": _class("ShownBinaryInput", Shown, BinaryInputObject),
    "binary-value": _class("ShownBinaryValue", Shown, BinaryValueObject),
    "multi-state-input": _class("ShownMultiStateInput", Shown, MultiStateInputObject, _cov_criteria=GenericCriteria),
    "multi-state-value": _class("ShownMultiStateValue", Shown, MultiStateValueObject, _cov_criteria=GenericCriteria),
    "large-analog-value": _class(
        "ShownLargeAnalog", Shown, Object, standard.LargeAnalogValueObject, _cov_criteria=COVIncrementCriteria
    ),
    "integer-value": _class(
        "ShownInteger", Shown, Object, standard.IntegerValueObject, _cov_criteria=COVIncrementCriteria
    ),
    "positive-integer-value": _class(
        "ShownPositiveInteger", Shown, Object, standard.PositiveIntegerValueObject, _cov_criteria=COVIncrementCriteria
    ),
    "accumulator": _class("ShownAccumulator", Shown, Object, standard.AccumulatorObject),
}
_COMMANDED: Final[dict[str, ObjectClass]] = {
    "analog-output": _class("CommandedAnalogOutput", Commanded, AnalogOutputObject),
    "analog-value": _class("CommandedAnalogValue", Commanded, AnalogValueObject),
    "binary-output": _class("CommandedBinaryOutput", Followed, BinaryOutputObject),
    "binary-value": _class("CommandedBinaryValue", Commanded, BinaryValueObject),
    "multi-state-output": _class(
        "CommandedMultiStateOutput", Commanded, MultiStateOutputObject, _cov_criteria=GenericCriteria
    ),
    "multi-state-value": _class(
        "CommandedMultiStateValue", Commanded, MultiStateValueObject, _cov_criteria=GenericCriteria
    ),
}
_OUTPUTS: Final = frozenset({"analog-output", "binary-output", "multi-state-output"})
"""Outputs are commandable by the standard, whatever the point list says."""
_TIMED: Final = frozenset({"binary-output", "binary-value"})
"""Commandable types that have minimum on and off times."""
_WHOLE: Final = frozenset({"integer-value", "positive-integer-value", "accumulator"})


def point_object(point: Point, command: Command, clock: DeviceClock, minimum_s: tuple[int, int] = (0, 0)) -> Shown:
    """Return the object that shows a point; ``command`` takes what an outsider commands it to.

    ``minimum_s`` are the minimum on and off times of a binary command.
    """
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
    if kind in _TIMED:
        properties |= {"minimumOnTime": minimum_s[0], "minimumOffTime": minimum_s[1]}
    made = cast(Commanded, _COMMANDED[kind](relinquishDefault=first, **properties))
    made.bind(
        lambda value: point.low <= value <= point.high and (not point.states or value in point.states), command, clock
    )
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
    increment = {} if cast(BacnetAddress, point.address).object_type == "accumulator" else {"covIncrement": 1}
    return {"units": engineering_units(point.unit.name), **increment}


def _binary(point: Point) -> Mapping[str, Any]:
    words = {"inactiveText": point.states.get(0, ""), "activeText": point.states.get(1, "")}
    has_polarity = cast(BacnetAddress, point.address).object_type != "binary-value"
    return words | {"polarity": "normal"} if has_polarity else words


def _multi_state(point: Point) -> Mapping[str, Any]:
    count = max(point.states)
    return {"numberOfStates": count, "stateText": [point.states.get(state, "") for state in range(1, count + 1)]}


_FAMILIES: Final = {"analog": _analog, "binary": _binary, "multi-state": _multi_state}
