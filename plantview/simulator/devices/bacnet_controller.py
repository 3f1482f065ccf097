"""The device object of a controller: who it is, what it can do, what time it has."""

from __future__ import annotations

from typing import Final

from bacpypes3.local.device import DeviceObject
from bacpypes3.primitivedata import Boolean, Date, Integer, Time

from plantview.model.plant import Device
from plantview.simulator.devices.bacnet_access import Guarded, computed
from plantview.simulator.devices.device_clock import DeviceClock, date_octets, time_octets
from plantview.simulator.devices.profiles import Profile

VENDOR_ID: Final = 999
PROTOCOL_REVISION: Final = 14
"""Below 17, from where on a device must have a network port object (from memory)."""


class ControllerObject(Guarded, DeviceObject):  # type: ignore[misc]
    """The device object: nothing of it can be written."""

    _clock: DeviceClock | None = None

    def keep_time(self, clock: DeviceClock) -> None:
        """Take the time from the controller's own clock."""
        self._clock = clock

    @computed
    def localDate(self) -> Date | None:  # noqa: N802 - the standard's name
        """Return the date where the plant stands."""
        return Date(date_octets(self._clock.local())) if self._clock else None

    @computed
    def localTime(self) -> Time | None:  # noqa: N802
        """Return the time of day where the plant stands."""
        return Time(time_octets(self._clock.local())) if self._clock else None

    @computed
    def utcOffset(self) -> Integer | None:  # noqa: N802
        """Return minutes from local standard time to UTC, positive west of Greenwich."""
        return Integer(self._clock.utc_offset_min()) if self._clock else None

    @computed
    def daylightSavingsStatus(self) -> Boolean | None:  # noqa: N802
        """Return whether daylight saving time is in force."""
        return Boolean(self._clock.daylight_saving()) if self._clock else None


def controller_object(device: Device, instance: int, profile: Profile, clock: DeviceClock) -> ControllerObject:
    """Return the device object of a controller."""
    made = ControllerObject(
        objectIdentifier=("device", instance),
        objectName=device.id,
        description=device.label,
        vendorIdentifier=VENDOR_ID,
        vendorName="simulated",
        modelName="simulated controller",
        protocolRevision=PROTOCOL_REVISION,
        maxApduLengthAccepted=profile.octets,
        segmentationSupported="segmentedBoth" if profile.segments else "noSegmentation",
    )
    made.keep_time(clock)
    return made
