"""What a simulated controller has in it from one switching-on to the next: objects, alarms, logs."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import partial

from plantview.model.plant import Device, Plant
from plantview.model.point import Point
from plantview.simulator.devices.alarm_list import MINIMUM_TIMES, kind_of
from plantview.simulator.devices.bacnet_access import OVERRIDDEN, Shown
from plantview.simulator.devices.bacnet_alarm_objects import alarms_of, notification_classes
from plantview.simulator.devices.bacnet_application import ControllerApplication
from plantview.simulator.devices.bacnet_commanded import Commanded
from plantview.simulator.devices.bacnet_controller import controller_object
from plantview.simulator.devices.bacnet_logs import SIZE, KeptLog, trend_log
from plantview.simulator.devices.bacnet_objects import point_object, present_value
from plantview.simulator.devices.device_clock import DeviceClock
from plantview.simulator.devices.hand_switches import hand_switches
from plantview.simulator.devices.log_list import logs_of
from plantview.simulator.devices.log_records import Records
from plantview.simulator.devices.profiles import Profile

CommandPoint = Callable[[str, float | None], None]
Memory = dict[int, Records]
"""Trend log instance -> what it has recorded; it outlasts a power failure."""


class Contents:
    """Objects of the points, and what the controller makes of them by itself."""

    def __init__(
        self,
        plant: Plant,
        points: Mapping[str, Point],
        command: CommandPoint,
        clock: DeviceClock,
        profile: Profile,
        memory: Memory,
    ) -> None:
        self._points = points
        self._command = command
        self._clock = clock
        self._profile = profile
        self._switches = hand_switches(plant, points)
        self.objects = {name: self._object(plant, point) for name, point in points.items()}
        """By point name."""
        self.alarms = alarms_of(plant, points, self.objects, clock)
        self.logs = [self._log(memory, instance, point) for instance, point in self._logged().items()]

    def application(self, device: Device, instance: int) -> ControllerApplication:
        """Return the services over all of it."""
        shown = list(self.objects.values())
        own = [alarm.source for alarm in self.alarms if alarm.source not in shown]
        classes = notification_classes() if self.alarms else []
        controller = controller_object(device, instance, self._profile, self._clock)
        made: ControllerApplication = ControllerApplication.from_object_list(
            [controller, *shown, *own, *classes, *self.logs]
        )
        made.alarms, made.profile = self.alarms, self._profile
        return made

    def by_identifier(self) -> dict[int, Shown]:
        """Return the objects of the points by their identifier as encoded: type << 22 | instance."""
        return {_identifier(shown): shown for shown in self.objects.values()}

    def refresh(self, reported: Mapping[str, float]) -> None:
        """Show what the plant reports, watch it and log it; objects of unchanged points are left alone."""
        for name, point in self._points.items():
            self.objects[name].show(present_value(point, reported.get(name, math.nan)))
        for name, switch in self._switches.items():
            self.objects[name].flag(OVERRIDDEN, switch.in_hand(reported))
        now_s, local = self._clock.monotonic_s(), self._clock.local()
        for shown in self.objects.values():
            if isinstance(shown, Commanded):
                shown.tick(now_s)
        for alarm in self.alarms:
            alarm.scan(now_s)
        for log in self.logs:
            log.sample(local)

    def give_back(self) -> None:
        """Give what outsiders hold back to the plant's own controller."""
        for name, shown in self.objects.items():
            if isinstance(shown, Commanded) and shown.held() is not None:
                self._command(name, None)

    def clock_set(self, by_s: float) -> None:
        """Note in every log that somebody set the clock."""
        for log in self.logs:
            log.clock_set(self._clock.local(), by_s)

    def _object(self, plant: Plant, point: Point) -> Shown:
        minimum_s = MINIMUM_TIMES.get((kind_of(plant, point), point.measurement), (0, 0))
        return point_object(point, partial(self._command, point.name), self._clock, minimum_s)

    def _logged(self) -> Mapping[int, Point]:
        return logs_of(self._points.values()) if self._profile.logs else {}

    def _log(self, memory: Memory, instance: int, point: Point) -> KeptLog:
        records = memory.setdefault(instance, Records(SIZE))
        return trend_log(instance, self.objects[point.name], point.name, records, self._clock.local)


def _identifier(shown: Shown) -> int:
    kind, instance = shown.objectIdentifier
    return int(kind) << 22 | int(instance)
