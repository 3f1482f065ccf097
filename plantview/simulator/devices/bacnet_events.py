"""The alarm services of a controller: who asks learns what is wrong, and may acknowledge it.

ANSI/ASHRAE 135, clauses 13.5 (AcknowledgeAlarm), 13.10 (GetAlarmSummary) and 13.12 (GetEventInformation).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from bacpypes3.apdu import GetAlarmSummaryACK, GetEventInformationACK
from bacpypes3.basetypes import GetAlarmSummaryAlarmSummary, GetEventInformationEventSummary
from bacpypes3.errors import ObjectError, ServicesError

from plantview.simulator.devices.bacnet_alarms import TRANSITIONS, Alarm
from plantview.simulator.devices.event_algorithms import NORMAL
from plantview.simulator.devices.profiles import OCTETS

FRAME_OCTETS: Final = 12
SUMMARY_OCTETS: Final = 66
"""Most octets of one event summary: three time stamps of 14, and what else there is."""
PRIORITIES: Final = {1: (64, 96, 192), 2: (128, 128, 224)}
"""By notification class: to off-normal, to fault, to normal; below 128 is for what cannot wait (from memory)."""

Request = Any
"""A decoded request: the protocol stack has no type information."""


def event_information(apdu: Request, alarms: Sequence[Alarm]) -> GetEventInformationACK:
    """Return the page of events after the object that the asker received last."""
    listed = [alarm for alarm in alarms if alarm.noteworthy]
    last = apdu.lastReceivedObjectIdentifier
    if last is not None:
        received = [at for at, alarm in enumerate(alarms) if alarm.source.objectIdentifier == last]
        if not received:
            raise ObjectError("unknownObject")
        listed = [alarm for alarm in alarms[received[0] + 1 :] if alarm.noteworthy]
    page = max(1, (OCTETS[min(apdu.apduMaxResp, len(OCTETS) - 1)] - FRAME_OCTETS) // SUMMARY_OCTETS)
    summaries = [_summary(alarm) for alarm in listed[:page]]
    return GetEventInformationACK(listOfEventSummaries=summaries, moreEvents=len(listed) > page, context=apdu)


def alarm_summary(apdu: Request, alarms: Sequence[Alarm]) -> GetAlarmSummaryACK:
    """Return every object that is not normal and whose transitions are alarms."""
    return GetAlarmSummaryACK(
        listOfAlarmSummaries=[
            GetAlarmSummaryAlarmSummary(
                objectIdentifier=alarm.source.objectIdentifier,
                alarmState=alarm.source.eventState,
                acknowledgedTransitions=alarm.source.ackedTransitions,
            )
            for alarm in alarms
            if alarm.state != NORMAL and str(alarm.source.notifyType) == "alarm"
        ],
        context=apdu,
    )


def acknowledge(apdu: Request, alarms: Sequence[Alarm], found: object) -> None:
    """Acknowledge one transition, or raise the error that the service answers with."""
    if found is None:
        raise ObjectError("unknownObject")
    alarm = next((alarm for alarm in alarms if alarm.source is found), None)
    if alarm is None:
        raise ObjectError("noAlarmConfigured")
    if apdu.timeStamp is None or apdu.eventStateAcknowledged is None:
        raise ServicesError("missingRequiredParameter")
    alarm.acknowledge(int(apdu.eventStateAcknowledged), apdu.timeStamp)


def _summary(alarm: Alarm) -> GetEventInformationEventSummary:
    source = alarm.source
    return GetEventInformationEventSummary(
        objectIdentifier=source.objectIdentifier,
        eventState=source.eventState,
        acknowledgedTransitions=source.ackedTransitions,
        eventTimeStamps=list(source.eventTimeStamps)[:TRANSITIONS],
        notifyType=source.notifyType,
        eventEnable=source.eventEnable,
        eventPriorities=list(PRIORITIES[int(source.notificationClass)]),
    )
