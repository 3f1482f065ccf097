"""The services of a simulated controller beyond those of the protocol stack."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from typing import Any, Final

from bacpypes3.apdu import (
    ConfirmedServiceChoice,
    ErrorRejectAbortNack,
    SimpleAckPDU,
    UnconfirmedServiceChoice,
    confirmed_request_types,
    unconfirmed_request_types,
)
from bacpypes3.app import Application
from bacpypes3.basetypes import ServicesSupported
from bacpypes3.errors import ExecutionError, PropertyError

from plantview.simulator.devices.bacnet_alarms import Alarm
from plantview.simulator.devices.bacnet_commanded import WRITER
from plantview.simulator.devices.bacnet_events import acknowledge, alarm_summary, event_information
from plantview.simulator.devices.bacnet_read_range import read_range
from plantview.simulator.devices.profiles import PLAIN, Profile

DEVICE: Final = 8
ANY_INSTANCE: Final = 4_194_303

log = logging.getLogger(__name__)

Request = Any
"""A decoded request or a part of it: the protocol stack has no type information."""


class ControllerApplication(Application):  # type: ignore[misc]
    """The stack's application, with a record of writes, logs, alarms and a bounded number of subscriptions."""

    record: Callable[[str, str, str], None]
    alarms: Sequence[Alarm] = ()
    profile: Profile = PLAIN

    def get_services_supported(self) -> ServicesSupported:
        """Return what the device object claims; the stack's own list takes unconfirmed services for confirmed ones."""
        supported = ServicesSupported([])
        for choices, requests in (
            (ConfirmedServiceChoice, confirmed_request_types),
            (UnconfirmedServiceChoice, unconfirmed_request_types),
        ):
            lacking = self.profile.lacks if requests is confirmed_request_types else frozenset()
            for choice, request in requests.items():
                if choice not in lacking and hasattr(self, f"do_{request.__name__}"):
                    supported[getattr(ServicesSupported, choices(choice).attr)] = 1
        return supported

    async def do_ReadPropertyRequest(self, apdu: Request) -> None:  # noqa: N802 - the stack looks for this name
        self._mean_me(apdu)
        await super().do_ReadPropertyRequest(apdu)

    async def do_ReadPropertyMultipleRequest(self, apdu: Request) -> None:  # noqa: N802
        for specification in apdu.listOfReadAccessSpecs:
            self._mean_me(specification)
        await super().do_ReadPropertyMultipleRequest(apdu)

    async def do_WritePropertyRequest(self, apdu: Request) -> None:  # noqa: N802
        self._mean_me(apdu)
        what = f"{apdu.objectIdentifier} {apdu.propertyIdentifier} priority {apdu.priority}"
        self.record(str(apdu.pduSource), what, _text(apdu.propertyValue))
        found = self.get_object_id(apdu.objectIdentifier)
        if found is not None and found.get_property_type(apdu.propertyIdentifier) is None:
            raise PropertyError("unknownProperty")
        WRITER.set(apdu.pduSource)
        await super().do_WritePropertyRequest(apdu)

    async def do_WritePropertyMultipleRequest(self, apdu: Request) -> None:  # noqa: N802
        for specification in apdu.listOfWriteAccessSpecs:
            for written in specification.listOfProperties:
                what = f"{specification.objectIdentifier} {written.propertyIdentifier} priority {written.priority}"
                self.record(str(apdu.pduSource), what, _text(written.value))
        WRITER.set(apdu.pduSource)
        await super().do_WritePropertyMultipleRequest(apdu)

    async def do_ReadRangeRequest(self, apdu: Request) -> None:  # noqa: N802
        await self.response(read_range(apdu, self.get_object_id(apdu.objectIdentifier)))

    async def do_GetEventInformationRequest(self, apdu: Request) -> None:  # noqa: N802
        await self.response(event_information(apdu, self.alarms))

    async def do_GetAlarmSummaryRequest(self, apdu: Request) -> None:  # noqa: N802
        await self.response(alarm_summary(apdu, self.alarms))

    async def do_AcknowledgeAlarmRequest(self, apdu: Request) -> None:  # noqa: N802
        what = f"{apdu.eventObjectIdentifier} acknowledge {apdu.eventStateAcknowledged}"
        self.record(str(apdu.pduSource), what, str(apdu.acknowledgmentSource))
        acknowledge(apdu, self.alarms, self.get_object_id(apdu.eventObjectIdentifier))
        await self.response(SimpleAckPDU(context=apdu))

    async def do_SubscribeCOVRequest(self, apdu: Request) -> None:  # noqa: N802
        if apdu.issueConfirmedNotifications is not None:
            apdu.lifetime = apdu.lifetime or 0  # none given means for ever, which the stack has no ear for
            if not self._subscribed(apdu) and self._subscriptions() >= self.profile.subscriptions_max:
                raise ExecutionError(errorClass="resources", errorCode="noSpaceToAddListElement")
        await super().do_SubscribeCOVRequest(apdu)

    def cov_confirmation(self, cov: Request, future: Request) -> None:
        """Take the answer to a notification; a subscriber that refuses it keeps its subscription until it ends."""
        error = None if future.cancelled() else future.exception()
        if isinstance(error, ErrorRejectAbortNack):
            log.debug("%s did not take a notification: %s", cov.client_addr, error)

    def end_subscriptions(self) -> None:
        """Forget all subscribers, as a power failure does."""
        for detection in tuple(self._cov_detections.values()):
            for subscription in tuple(detection.cov_subscriptions):
                self.cancel_subscription(subscription)

    def _mean_me(self, part: Request) -> None:
        """Put the device object in the place of the instance that means any device (clause 15.5.2)."""
        kind, instance = part.objectIdentifier
        if (int(kind), int(instance)) == (DEVICE, ANY_INSTANCE):
            part.objectIdentifier = self.device_object.objectIdentifier

    def _subscriptions(self) -> int:
        return sum(len(detection.cov_subscriptions) for detection in self._cov_detections.values())

    def _subscribed(self, apdu: Request) -> bool:
        detection = self._cov_detections.get(apdu.monitoredObjectIdentifier)
        who = (apdu.pduSource, apdu.subscriberProcessIdentifier)
        return detection is not None and any(
            (item.client_addr, item.proc_id) == who for item in detection.cov_subscriptions
        )


def _text(value: Request) -> str:
    return " ".join(bytes(tag.tag_data).hex() or "null" for tag in value.tagList)
