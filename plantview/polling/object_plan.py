"""Which BACnet objects of a device go into one request, and what the device taught us about that."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from plantview.drivers.bacnet_codec import object_key
from plantview.drivers.bacnet_reader import Limits, ObjectBatch
from plantview.model.point import BacnetAddress, Point

REFUSED_FOR_S: Final = 3_600.0
"""An object that spoils the requests it stands in is asked again, alone, after an hour of plant time."""


class ObjectPlan:
    """Batches of one device for points of one period; encoded once, until something is learned."""

    def __init__(self, points: Iterable[Point]) -> None:
        self.points: dict[int, list[Point]] = {}
        for point in points:
            if isinstance(point.address, BacnetAddress):
                self.points.setdefault(object_key(point.address), []).append(point)
        self.limits = Limits.conservative()
        self.objects_max = self.limits.objects
        self._most: int | None = None
        """Learned from an abort."""
        self.single = False
        """True once the device said that it has no ReadPropertyMultiple."""
        self._refused: dict[int, tuple[float, str]] = {}
        self._batches: tuple[ObjectBatch, ...] | None = None

    def take_limits(self, limits: Limits) -> None:
        """Use what the device says about itself; a size learned the hard way stands."""
        if limits != self.limits:
            self.limits = limits
            self.objects_max = limits.objects if self._most is None else min(self._most, limits.objects)
            self._batches = None

    def shrink(self, objects: int) -> None:
        """Remember that the device cannot answer for more than ``objects`` at once."""
        self._most = max(1, objects)
        self.objects_max = min(self.objects_max, self._most)
        self._batches = None

    def read_singly(self) -> None:
        """Remember that the device has no ReadPropertyMultiple."""
        self.single = True

    def refuse(self, key: int, now_s: float, why: str) -> None:
        """Keep an object out of the requests of the others for an hour."""
        self._refused[key] = (now_s + REFUSED_FOR_S, why)
        self._batches = None

    def refused(self, now_s: float) -> dict[int, str]:
        """Return the objects that are not asked at present, with the device's word."""
        return {key: why for key, (until_s, why) in self._refused.items() if until_s > now_s}

    def batches(self, now_s: float) -> tuple[ObjectBatch, ...]:
        """Return the requests of one cycle."""
        again = tuple(ObjectBatch((key,)) for key, (until_s, _) in self._refused.items() if until_s <= now_s)
        return self._together() + again

    def _together(self) -> tuple[ObjectBatch, ...]:
        if self._batches is None:
            self._batches = self.split([key for key in self.points if key not in self._refused])
        return self._batches

    def accept(self, key: int) -> None:
        """Take an object back among the others."""
        if self._refused.pop(key, None) is not None:
            self._batches = None

    def split(self, keys: list[int]) -> tuple[ObjectBatch, ...]:
        """Return batches of nearly equal size, none above what the device can answer."""
        if not keys:
            return ()
        count = -(-len(keys) // self.objects_max)
        size = -(-len(keys) // count)
        return tuple(ObjectBatch(keys[start : start + size]) for start in range(0, len(keys), size))

    def learned(self) -> dict[str, Any]:
        """Return what is kept over a restart: a size learned the hard way, no multiple read; empty if neither."""
        if not self.single and self._most is None:
            return {}
        return {"objects_max": self._most, "single_reads": self.single}

    def recall(self, learned: Mapping[str, Any]) -> None:
        """Take back what ``learned`` gave."""
        self.single = learned.get("single_reads") is True
        most = learned.get("objects_max")
        if isinstance(most, int) and most > 0:
            self.shrink(most)

    def as_dict(self) -> dict[str, Any]:
        """Return what the health page shows of it."""
        return {
            "requests_per_cycle": 2 * len(self.points) if self.single else len(self._together()),
            "learned": {
                "max_apdu": self.limits.max_apdu,
                "segmentation": self.limits.segmentation,
                "objects_max": self.objects_max,
                "single_reads": self.single,
                "refused": len(self._refused),
            },
        }
