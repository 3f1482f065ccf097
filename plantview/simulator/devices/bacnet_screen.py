"""What a controller does with a request before it understands it, and how long its answers may get.

The stack answers nothing to what it cannot decode and is faithful to the asker's longest APDU
only; here unknown services and undecodable requests are rejected (ANSI/ASHRAE 135,
clause 18.9), and the controller's own longest APDU holds in both directions.
"""

from __future__ import annotations

import struct
from typing import Any, Final

from bacpypes3.apdu import APDU, AbortPDU, APCISequence, ComplexAckPDU, RejectPDU, confirmed_request_types
from bacpypes3.app import Application
from bacpypes3.errors import RejectException
from bacpypes3.pdu import PDU

from plantview.simulator.devices.profiles import Profile

CONFIRMED_REQUEST: Final = 0
SEGMENTED: Final = 0x08
COMPLEX_HEADER, SEGMENT_HEADER = 3, 5
"""Octets of a complex acknowledgement besides its data, whole and cut into segments."""

UNDECODABLE: Final = (RejectException, ValueError, LookupError, TypeError, AttributeError, RuntimeError, struct.error)
"""What the stack's decoder trips over: the request is to blame."""

Transaction = Any
"""The protocol stack has no type information."""


def known_services(application: Application) -> frozenset[int]:
    """Return the choices of the confirmed services that an application has a method for."""
    return frozenset(
        choice for choice, request in confirmed_request_types.items() if hasattr(application, f"do_{request.__name__}")
    )


class Screen:
    """Stands between the network and the application of one controller."""

    def __init__(self, application: Application, profile: Profile) -> None:
        self._access_point = application.asap
        self._services = known_services(application)
        self._profile = profile
        self._take, self._give = application.asap.confirmation, application.asap.sap_confirmation
        application.asap.confirmation, application.asap.sap_confirmation = self.request, self.answer

    async def request(self, pdu: PDU) -> None:
        """Pass a request on, as short as this controller answers, or refuse it."""
        octets = bytearray(pdu.pduData)
        if len(octets) >= 4 and octets[0] >> 4 == CONFIRMED_REQUEST:
            refusal = self._refusal(bytes(octets))
            if refusal is not None:
                refusal.pduDestination = pdu.pduSource
                await self._access_point.request(refusal)
                return
            octets[1] = octets[1] & 0xF0 | min(octets[1] & 0x0F, self._profile.octets_code)
            pdu.pduData = octets
        await self._take(pdu)

    async def answer(self, apdu: APDU) -> None:
        """Pass an answer on; the room for it is what the asker takes less the header."""
        encoded = apdu.encode() if isinstance(apdu, APCISequence) else apdu
        transaction = self._transaction(encoded) if isinstance(encoded, ComplexAckPDU) else None
        if transaction is not None:
            most = transaction.maxApduLengthAccepted
            whole = len(encoded.pduData) + COMPLEX_HEADER <= most
            transaction.maxApduLengthAccepted = most - (COMPLEX_HEADER if whole else SEGMENT_HEADER)
        await self._give(encoded)
        if transaction is not None and transaction.actualWindowSize is None:
            transaction.actualWindowSize = (
                1  # or the stack breaks off, and keeps the transaction, when nobody takes segment 0
            )

    def _transaction(self, apdu: APDU) -> Transaction:
        key = (apdu.apduInvokeID, apdu.pduDestination)
        return next(
            (item for item in self._access_point.serverTransactions if (item.invokeID, item.pdu_address) == key), None
        )

    def _refusal(self, octets: bytes) -> APDU | None:
        invoke_id = octets[2]
        segmented = octets[0] & SEGMENTED
        service = octets[5] if segmented and len(octets) > 5 else octets[3]
        if len(octets) > self._profile.octets:
            return AbortPDU(True, invoke_id, "bufferOverflow")
        if service not in self._services or service in self._profile.lacks:
            return RejectPDU(invoke_id, "unrecognizedService")
        return None if segmented else undecodable(octets, invoke_id)


def undecodable(octets: bytes, invoke_id: int) -> APDU | None:
    """Return the Reject for a whole confirmed request that cannot be decoded, None for one that can."""
    try:
        APCISequence.decode(APDU.decode(PDU(octets)))
    except UNDECODABLE as error:
        return RejectPDU(invoke_id, getattr(error, "rejectReason", None) or "invalidTag")
    return None
