"""Commandable objects: the priority array, who wrote to it and when, and the minimum on and off times.

The controller's own command is the relinquish default of a commandable object, not an entry in
its priority array: the array is empty in normal operation, so an entry always means that
somebody from outside holds the point, at whatever priority, and releasing it gives the
point back. While a priority stands the relinquish default keeps the last own command. The
controller's own program keeps its minimum times itself; slot 6 guards against outsiders.
"""

from __future__ import annotations

from collections.abc import Callable
from contextvars import ContextVar
from typing import Any, Final

from bacpypes3.basetypes import Address, PriorityValue, TimeStamp, ValueSource
from bacpypes3.errors import PropertyError
from bacpypes3.local.cmd import Commandable
from bacpypes3.primitivedata import Null
from typing_extensions import override

from plantview.simulator.devices import minimum_times
from plantview.simulator.devices.bacnet_access import WRITABLE, Content, Shown, property_name
from plantview.simulator.devices.device_clock import DeviceClock, bacnet_date_time
from plantview.simulator.devices.minimum_times import MinimumTimes

PRIORITIES: Final = range(1, 17)
LOWEST: Final = 16
MINIMUM_TIMES: Final = frozenset({"minimumOnTime", "minimumOffTime"})

Accepts = Callable[[float], bool]
Command = Callable[[float | None], None]
WRITER: ContextVar[Any] = ContextVar("WRITER", default=None)
"""Network address of whoever sent the write that is being carried out."""


class Commanded(Shown, Commandable):  # type: ignore[misc]
    """An object with a priority array whose winner commands the plant."""

    _writable = WRITABLE | MINIMUM_TIMES
    _held = False
    _accepts: Accepts
    _command: Command
    _clock: DeviceClock
    _minimum: MinimumTimes | None = None
    relinquishDefault: Any  # noqa: N815
    valueSource: Any  # noqa: N815
    valueSourceArray: Any  # noqa: N815
    lastCommandTime: Any  # noqa: N815
    commandTimeArray: Any  # noqa: N815
    minimumOnTime: Any  # noqa: N815
    minimumOffTime: Any  # noqa: N815

    def bind(self, accepts: Accepts, command: Command, clock: DeviceClock) -> None:
        """Connect it to the plant: which values it takes, who obeys, what time it is."""
        self._accepts = accepts
        self._command = command
        self._clock = clock
        if self.get_property_type("minimumOnTime") and self.minimumOnTime is not None:
            self._minimum = MinimumTimes(float(self.minimumOnTime), float(self.minimumOffTime))
        self.valueSource, self.lastCommandTime = _nobody(), _never()
        self.valueSourceArray = [_nobody() for _ in PRIORITIES]
        self.commandTimeArray = [_never() for _ in PRIORITIES]
        self.recalculating()

    @override
    async def write_property(
        self, attr: int | str, value: Content, index: int | None = None, priority: int | None = None
    ) -> None:
        """Write one property; a changed winner of the priority array reaches the plant."""
        name = property_name(attr)
        if name == "presentValue":
            self._check(value, priority)
            before = self.value()
            await Commandable.write_property(self, "presentValue", value, index, priority)
            self._sign(priority or LOWEST, isinstance(value, Null))
            self._keep_minimum(before)
            self._taken = None
        else:
            await super().write_property(name, value, index, priority)
            if name in MINIMUM_TIMES and self._minimum:
                self._minimum.on_s, self._minimum.off_s = float(self.minimumOnTime), float(self.minimumOffTime)
        self._act()

    def held(self) -> float | None:
        """Return what an outsider commands, None when all priorities are released."""
        return self.value() if self._held else None

    def tick(self, now_s: float) -> None:
        """Release slot 6 when its time has passed."""
        if self._minimum and self._minimum.expired(now_s):
            before = self.value()
            self._fill(minimum_times.SLOT, PriorityValue(null=()))
            self._sign(minimum_times.SLOT, released=True)
            self._keep_minimum(before)
            self._taken = None
            self._act()

    def _check(self, value: Content, priority: int | None) -> None:
        released = isinstance(value, Null)
        if priority is not None and priority not in PRIORITIES:
            raise PropertyError("valueOutOfRange")
        if priority == minimum_times.SLOT and self._minimum:
            raise PropertyError("writeAccessDenied")  # the slot is the algorithm's own
        if not released and not self._accepts(float(value)):
            raise PropertyError("valueOutOfRange")

    def _keep_minimum(self, before: float) -> None:
        if self._minimum and self.value() != before:
            takes = self._minimum.changed(bool(self.value()), self._clock.monotonic_s())
            kept = PriorityValue(object.__getattribute__(self, "presentValue")) if takes else PriorityValue(null=())
            self._fill(minimum_times.SLOT, kept)
            if takes:
                at = TimeStamp(dateTime=bacnet_date_time(self._clock.local()))
                self.commandTimeArray[minimum_times.SLOT - 1] = at

    def _fill(self, slot: int, entry: PriorityValue) -> None:
        self.priorityArray[slot - 1] = entry

    def _sign(self, slot: int, released: bool) -> None:
        """Note who commanded a slot, and when (clause 19.5 value source, from memory)."""
        at = TimeStamp(dateTime=bacnet_date_time(self._clock.local()))
        self.commandTimeArray[slot - 1] = at
        self.valueSourceArray[slot - 1] = _nobody() if released else _somebody()
        winner = next((slot for slot in PRIORITIES if self.priorityArray[slot - 1].null is None), None)
        self.valueSource = self.valueSourceArray[winner - 1] if winner else _nobody()
        self.lastCommandTime = at

    def _act(self) -> None:
        self._held = any(entry.null is None for entry in self.priorityArray)
        if not self.decoupled:  # out of service, the object no longer acts on the plant
            self._command(self.held())

    @override
    def _take(self, value: float) -> None:
        if not self._held:
            self._taken = value
            self.relinquishDefault = value
            self.recalculating()


def _nobody() -> ValueSource:
    return ValueSource(none=())


def _somebody() -> ValueSource:
    writer = WRITER.get()
    if writer is None:
        return _nobody()
    network = getattr(writer, "addrNet", None) or 0
    return ValueSource(address=Address(networkNumber=network, macAddress=bytes(writer.addrAddr)))


def _never() -> TimeStamp:
    return TimeStamp(sequenceNumber=0)
