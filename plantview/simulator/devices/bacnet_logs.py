"""Trend Log objects of a controller: they record, and keep what they have through a power failure.

Records are kept encoded (ANSI/ASHRAE 135, clause 21, BACnetLogRecord), so that an answer to
ReadRange is little more than a copy. The buffer can be read by ReadRange only (clause 12.25).
"""

from __future__ import annotations

import datetime as dt
import math
import struct
from collections.abc import Callable
from typing import Any, Final

from bacpypes3 import object as standard
from bacpypes3.basetypes import BinaryPV
from bacpypes3.errors import PropertyError
from bacpypes3.local.object import Object
from bacpypes3.primitivedata import Real, Unsigned
from typing_extensions import override

from plantview.simulator.devices.bacnet_access import Content, Guarded, Shown, computed, property_name
from plantview.simulator.devices.device_clock import date_octets, time_octets
from plantview.simulator.devices.log_records import Record, Records

INTERVAL_S: Final = 60
SIZE: Final = 1_000
LOG_DISABLED, BUFFER_PURGED, LOG_INTERRUPTED = 0x80, 0x40, 0x20
"""Log status as the bits of its octet."""
_STATUS_FLAGS: Final = bytes((0x2A, 0x04))


class KeptLog(Guarded):
    """What is particular to a trend log among objects."""

    _writable = frozenset({"enable", "logInterval", "recordCount"})
    _records: Records
    _watched: Shown
    _local: Callable[[], dt.datetime]
    _slot: int | None = None
    _interval_s: float = INTERVAL_S
    _enabled = True
    enable: Any
    logInterval: Any  # noqa: N815 - properties bear the names of the standard
    objectIdentifier: Any  # noqa: N815

    def keep(self, records: Records, watched: Shown, local: Callable[[], dt.datetime]) -> None:
        """Connect it to its records, the object that it watches and the controller's clock."""
        self._records, self._watched, self._local = records, watched, local
        if records.total:
            self._status(LOG_INTERRUPTED)

    @property
    def records(self) -> Records:
        """Return what was recorded."""
        return self._records

    @computed
    def recordCount(self) -> Unsigned:  # noqa: N802
        """Return how many records are kept."""
        return Unsigned(len(self._records.kept))

    @computed
    def totalRecordCount(self) -> Unsigned:  # noqa: N802
        """Return the sequence number of the newest record."""
        return Unsigned(self._records.total)

    async def read_property(self, attr: int | str, index: int | None = None) -> Content:
        """Return a property; the buffer itself is refused."""
        if property_name(attr) == "logBuffer":
            raise PropertyError("readAccessDenied")
        return await super().read_property(property_name(attr), index)  # type: ignore[misc]

    @override
    async def write_property(
        self, attr: int | str, value: Content, index: int | None = None, priority: int | None = None
    ) -> None:
        """Switch it on or off, set its interval, or empty it by a record count of 0."""
        name = property_name(attr)
        if name == "recordCount":
            if int(value) != 0:
                raise PropertyError("valueOutOfRange")
            self._records.purge()
            self._status(BUFFER_PURGED)
            return
        if name == "logInterval" and int(value) < 100:
            raise PropertyError("valueOutOfRange")  # a second at least: the controller scans no faster
        await super().write_property(name, value, index, priority)
        self._interval_s = int(self.logInterval) / 100
        if name == "enable" and bool(value) != self._enabled:
            self._enabled = bool(value)
            self._status(0 if self._enabled else LOG_DISABLED)

    def sample(self, at: dt.datetime) -> None:
        """Record the watched value if an interval of the clock has begun."""
        slot = math.floor((at - _EPOCH).total_seconds() / self._interval_s)
        if not self._enabled or slot == self._slot:
            return
        self._slot = slot
        datum = _datum(object.__getattribute__(self._watched, "presentValue"))
        self._records.add(_record(at, datum + _STATUS_FLAGS + bytes((self._watched.flags,))))

    def clock_set(self, at: dt.datetime, by_s: float) -> None:
        """Record that somebody set the controller's clock forward (or back, below 0)."""
        self._records.add(_record(at, b"\x1e\x9c" + struct.pack(">f", by_s) + b"\x1f"))

    def _status(self, bits: int) -> None:
        self._records.add(_record(self._local(), bytes((0x1E, 0x0A, 0x05, bits, 0x1F))))


_EPOCH: Final = dt.datetime(2000, 1, 1)  # noqa: DTZ001 - local times of the device bear no zone
_TrendLog: Any = type("TrendLog", (KeptLog, Object, standard.TrendLogObject), {})


def trend_log(instance: int, watched: Shown, name: str, records: Records, local: Callable[[], dt.datetime]) -> KeptLog:
    """Return the log of one object's present value."""
    made: KeptLog = _TrendLog(
        objectIdentifier=("trend-log", instance),
        objectName=f"{name}.log",
        enable=True,
        stopWhenFull=False,
        bufferSize=records.kept.maxlen,
        loggingType="polled",
        logInterval=INTERVAL_S * 100,
        alignIntervals=True,
        intervalOffset=0,
        trigger=False,
        statusFlags=[0, 0, 0, 0],
        eventState="normal",
        reliability="no-fault-detected",
        logDeviceObjectProperty={"objectIdentifier": watched.objectIdentifier, "propertyIdentifier": "present-value"},
    )
    made.keep(records, watched, local)
    return made


def _record(at: dt.datetime, rest: bytes) -> Record:
    stamp = bytes((0x0E, 0xA4, *date_octets(at), 0xB4, *time_octets(at), 0x0F))
    return Record(at, stamp + rest)


def _datum(value: Content) -> bytes:
    """Return a present value as the log's datum: real [2], enumerated [3] or unsigned [4]."""
    if isinstance(value, Real):
        return b"\x1e\x2c" + struct.pack(">f", value) + b"\x1f"
    octets = int(value).to_bytes(max(1, (int(value).bit_length() + 7) // 8), "big")
    choice = 0x38 if isinstance(value, BinaryPV) else 0x48
    return bytes((0x1E, choice | len(octets))) + octets + b"\x1f"
