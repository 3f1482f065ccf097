"""Gives the objects of a controller the alarms that the list names, in the properties of the standard."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from bacpypes3 import object as standard
from bacpypes3.basetypes import BinaryPV, LimitEnable
from bacpypes3.local.object import Object

from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.simulator.devices.alarm_list import (
    ALARM_CLASS,
    EVENT_CLASS,
    Follows,
    Limits,
    States,
    alarm_row,
    alarm_values,
    in_unit,
    partner,
)
from plantview.simulator.devices.bacnet_access import Guarded, Shown
from plantview.simulator.devices.bacnet_alarms import Alarm
from plantview.simulator.devices.bacnet_events import PRIORITIES
from plantview.simulator.devices.bacnet_objects import Followed
from plantview.simulator.devices.device_clock import DeviceClock
from plantview.simulator.devices.event_algorithms import ChangeOfState, CommandFailure, FloatingLimit, OutOfRange

BacnetObject = Any
"""The protocol stack has no type information."""
_NotificationClass: Any = type("NotificationClass", (Guarded, Object, standard.NotificationClassObject), {})
_EventEnrollment: Any = type("EventEnrollment", (Guarded, Object, standard.EventEnrollmentObject), {})
_WANT_ACK: Final = {ALARM_CLASS: (True, True, False), EVENT_CLASS: (False, False, False)}


def notification_classes() -> list[BacnetObject]:
    """Return the classes that alarms refer to; nobody is on their lists of recipients."""
    return [
        _NotificationClass(
            objectIdentifier=("notification-class", number),
            objectName=f"notification class {number}",
            notificationClass=number,
            priority=list(PRIORITIES[number]),
            ackRequired=[int(wanted) for wanted in _WANT_ACK[number]],
            recipientList=[],
        )
        for number in (ALARM_CLASS, EVENT_CLASS)
    ]


def alarms_of(
    plant: Plant, points: Mapping[str, Point], objects: Mapping[str, Shown], clock: DeviceClock
) -> list[Alarm]:
    """Return the alarms of a controller's objects; those with floating limits bring an object of their own."""
    alarms: list[Alarm] = []
    for name, point in points.items():
        row, shown = alarm_row(plant, point), objects[name]
        match row:
            case Limits(setpoint="") as limits:
                alarms.append(_out_of_range(shown, in_unit(point, limits), clock))
            case Limits() as limits:
                setpoint = objects[partner(plant, point, limits.setpoint).name]
                alarms.append(_floating_limit(len(alarms) + 1, name, shown, setpoint, in_unit(point, limits), clock))
            case States() as states:
                alarms.append(_change_of_state(shown, alarm_values(point, states), states, clock))
            case Follows() as follows if isinstance(shown, Followed):
                shown.follow(objects[partner(plant, point, follows.feedback).name].value)
                alarms.append(
                    _command_failure(shown, objects[partner(plant, point, follows.feedback).name], follows, clock)
                )
            case _:
                continue
    return alarms


def _equip(source: BacnetObject, number: int, delay_s: int, delay_normal_s: int) -> None:
    source.notificationClass = number
    source.notifyType = "alarm" if number == ALARM_CLASS else "event"
    source.eventEnable = [1, 1, 1]
    source.eventDetectionEnable = True
    if hasattr(source, "timeDelay"):
        source.timeDelay, source.timeDelayNormal = delay_s, delay_normal_s


def _out_of_range(shown: BacnetObject, limits: Limits, clock: DeviceClock) -> Alarm:
    _equip(shown, ALARM_CLASS, limits.delay_s, limits.delay_normal_s)
    shown.lowLimit, shown.highLimit, shown.deadband = limits.low, limits.high, limits.deadband
    shown.limitEnable = [1, 1]

    def algorithm() -> OutOfRange:
        low_enabled, high_enabled = (
            bool(shown.limitEnable[bit]) for bit in (LimitEnable.lowLimitEnable, LimitEnable.highLimitEnable)
        )
        return OutOfRange(
            float(shown.lowLimit), float(shown.highLimit), float(shown.deadband), int(shown.timeDelay),
            int(shown.timeDelayNormal), low_enabled, high_enabled,
        )  # fmt: skip

    alarm = Alarm(shown, shown, algorithm, clock)
    shown.watch_settings(alarm.reload)
    return alarm


def _floating_limit(number: int, name: str, shown: Shown, setpoint: Shown, limits: Limits, clock: DeviceClock) -> Alarm:
    parameters = {
        "timeDelay": limits.delay_s,
        "setpointReference": {"objectIdentifier": setpoint.objectIdentifier, "propertyIdentifier": "present-value"},
        "lowDiffLimit": limits.low,
        "highDiffLimit": limits.high,
        "deadband": limits.deadband,
    }
    enrollment = _EventEnrollment(
        objectIdentifier=("event-enrollment", number),
        objectName=f"{name}.deviation",
        eventType="floating-limit",
        eventParameters={"floatingLimit": parameters},
        objectPropertyReference={"objectIdentifier": shown.objectIdentifier, "propertyIdentifier": "present-value"},
        statusFlags=[0, 0, 0, 0],
        reliability="no-fault-detected",
    )
    _equip(enrollment, ALARM_CLASS, limits.delay_s, limits.delay_normal_s)
    band = OutOfRange(limits.low, limits.high, limits.deadband, limits.delay_s, limits.delay_normal_s)
    return Alarm(enrollment, shown, lambda: FloatingLimit(band), clock, reference=setpoint.value)


def _change_of_state(shown: BacnetObject, numbers: list[int], states: States, clock: DeviceClock) -> Alarm:
    number = EVENT_CLASS if states.event else ALARM_CLASS
    _equip(shown, number, states.delay_s, states.delay_normal_s)
    if shown.get_property_type("alarmValues"):
        shown.alarmValues = numbers
    else:
        shown.alarmValue = BinaryPV(numbers[0])
    alarm = Alarm(
        shown, shown, lambda: ChangeOfState(numbers, int(shown.timeDelay), int(shown.timeDelayNormal)), clock,
        want_ack=_WANT_ACK[number],
    )  # fmt: skip
    shown.watch_settings(alarm.reload)
    return alarm


def _command_failure(shown: BacnetObject, feedback: Shown, follows: Follows, clock: DeviceClock) -> Alarm:
    _equip(shown, ALARM_CLASS, follows.delay_s, follows.delay_normal_s)
    alarm = Alarm(
        shown,
        shown,
        lambda: CommandFailure(int(shown.timeDelay), int(shown.timeDelayNormal)),
        clock,
        reference=feedback.value,
    )
    shown.watch_settings(alarm.reload)
    return alarm
