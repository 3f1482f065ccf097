"""One alarm for each object that a device lists as in alarm: made when it is first listed, taken up after a restart."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Final

from plantview.alarms.life import Kept, Life, begin
from plantview.alarms.own import EVENT, event_of, rule_for
from plantview.alarms.rules import Rule
from plantview.alarms.table import State
from plantview.alarms.watch import DeviceOwn, Mismatch, StateIs
from plantview.model.device_event import DeviceEvent

OBJECTS_MAX: Final = 200
"""Alarms of one device; those that are over make room for new ones."""


class OwnLives:
    """The device rows of a plant, and the alarms made from them."""

    def __init__(self, rules: Iterable[Rule]) -> None:
        self._rows: dict[str, tuple[Rule, DeviceOwn]] = {}
        self._speaks: dict[str, str] = {}
        """Signal -> the alarm of ours on the same state: it speaks for the device's."""
        for rule in rules:
            match rule.watch:
                case DeviceOwn() as watch:
                    self._rows[watch.device] = rule, watch
                case StateIs(signal) | Mismatch(signal) if rule.annunciated:
                    for watched in {signal.name, *(one.name for one in rule.watch.signals)}:
                        self._speaks.setdefault(watched, rule.id)
                case _:
                    pass
        self._lives: dict[str, Life] = {}
        self._heard: set[str] = set()
        self.left_out: set[str] = set()
        """Devices that list more than is shown."""

    def taken_up(self, kept: dict[str, Kept]) -> list[Life]:
        """Return the alarms that were kept, taking them out of ``kept``."""
        found = []
        for row, watch in self._rows.values():
            start = f"{row.id} "
            for name in [name for name in kept if name.startswith(start)]:
                was = kept.pop(name)
                tells = not was.device_key.startswith(f"{EVENT} ")
                rule = self._rule(row, watch, name.removeprefix(start), was.device_watches, tells=tells)
                found.append(begin(rule, was))
        self._lives |= {life.rule.id: life for life in found}
        return found

    def take(self, events: Mapping[str, tuple[DeviceEvent, ...]]) -> tuple[list[Life], list[str]]:
        """Give each alarm its device's latest word; return alarms for objects that had none, and those that make room."""
        for life in self._lives.values():
            match life.rule.watch:
                case DeviceOwn(device, _, name) if device in events:
                    life.event = event_of(events, device, name)
        fresh: list[Life] = []
        for device, listed in events.items():
            if device in self._rows:
                fresh += self._fresh(device, listed)
                self._heard.add(device)
        gone = self._over(fresh)
        self._lives = {name: life for name, life in self._lives.items() if name not in gone} if gone else self._lives
        self._lives |= {life.rule.id: life for life in fresh}
        return fresh, gone

    def _over(self, fresh: Iterable[Life]) -> list[str]:
        """Return the alarms that go to make room: over, and listed by their device no more."""
        gone: list[str] = []
        for device, count in Counter(device for life in fresh for device in life.rule.devices).items():
            ours = self._of(device)
            done = [life.rule.id for life in ours if _is_done(life)]
            gone += done[: max(0, len(ours) + count - OBJECTS_MAX)]
        return gone

    def _of(self, device: str) -> list[Life]:
        return [life for life in self._lives.values() if device in life.rule.devices]

    def _fresh(self, device: str, listed: Iterable[DeviceEvent]) -> list[Life]:
        row, watch = self._rows[device]
        missing = [one for one in listed if f"{row.id} {one.object_name}" not in self._lives]
        room = OBJECTS_MAX - sum(not _is_done(life) for life in self._of(device))
        (self.left_out.add if len(missing) > room else self.left_out.discard)(device)
        found = []
        for event in missing[: max(0, room)]:
            rule = self._rule(row, watch, event.object_name, event.watches, tells=event.notify != EVENT)
            life = begin(rule, Kept(device_watches=event.watches))
            life.event, life.found = event, device not in self._heard
            found.append(life)
        return found

    def _rule(self, row: Rule, watch: DeviceOwn, name: str, watches: str, *, tells: bool) -> Rule:
        signal = watch.points.get(name) or watch.points.get(watches)
        speaks = "" if signal is None else self._speaks.get(signal.name, "")
        return rule_for(row, watch, name, signal, tells=tells, speaks=speaks)


def _is_done(life: Life) -> bool:
    return life.event is None and not life.delay.active and life.kept.state is State.NORM
