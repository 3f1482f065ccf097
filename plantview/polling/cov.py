"""Changes that a device tells by itself, for chosen states. The poll goes on: a notification only comes earlier.

So a subscription that died costs seconds and never the truth. It is renewed at half its life; and a
change that the poll sees, and that the next poll still sees untold, proves it dead: it is renewed at once.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from plantview.drivers.bacnet_codec import Answer
from plantview.drivers.bacnet_reader import BacnetReader
from plantview.errors import DeviceRefused

LIFETIME_S: Final = 300
"""Real seconds that a device goes on telling if we are gone: five minutes, then it forgets us by itself."""
REFUSED_FOR_S: Final = 3_600.0


class Subscriptions:
    """The COV subscriptions of one device; times are real seconds on any monotonic scale."""

    def __init__(self, reader: BacnetReader, process: int, keys: Iterable[int]) -> None:
        self._reader, self._process = reader, process
        self._due_s = dict.fromkeys(keys, 0.0)
        self._refused: dict[int, str] = {}
        self._told: dict[int, object] = {}
        """Last value known of each object, however it came."""
        self._untold: dict[int, object] = {}
        """A value that a poll brought first."""
        self.notifications = self.missed = 0

    def __contains__(self, key: int) -> bool:
        """Tell whether the object is one that was subscribed to."""
        return key in self._due_s

    async def renew_one(self, now_s: float) -> bool:
        """Renew the subscription that is due first; return whether one was."""
        key = min(self._due_s, key=self._due_s.__getitem__)
        if self._due_s[key] > now_s:
            return False
        try:
            await self._reader.subscribe(self._process, key, LIFETIME_S)
        except DeviceRefused as error:
            self._due_s[key], self._refused[key] = now_s + REFUSED_FOR_S, error.detail
        else:
            self._due_s[key] = now_s + LIFETIME_S / 2
            self._refused.pop(key, None)
        return True

    def told(self, key: int, answer: Answer) -> None:
        """Note a notification."""
        self.notifications += 1
        self._told[key] = (answer.value, answer.flags)
        self._untold.pop(key, None)

    def polled(self, answers: dict[int, Answer]) -> None:
        """Note what a poll brought, and find out which subscriptions are dead.

        A change that comes by poll may be overtaking its notification; the same one a poll later is not.
        """
        for key in self._due_s.keys() & answers.keys():
            now = (answers[key].value, answers[key].flags)
            if self._told.setdefault(key, now) == now:
                self._untold.pop(key, None)
            elif key not in self._untold:
                self._untold[key] = now
            else:
                self._dead(key, now)

    def _dead(self, key: int, now: object) -> None:
        del self._untold[key]
        self._told[key] = now
        if key not in self._refused:
            self.missed += 1
            self._due_s[key] = 0.0

    def lost(self) -> None:
        """The device was silent: it may have restarted and forgotten all subscriptions."""
        self._due_s = dict.fromkeys(self._due_s, 0.0)

    def as_dict(self) -> dict[str, Any]:
        """Return what the health page shows of it."""
        return {
            "objects": len(self._due_s), "refused": len(self._refused),
            "notifications": self.notifications, "missed": self.missed,
        }  # fmt: skip
