"""Alarms that a device has of its own: what their states and acknowledgement bits mean here.

The rows of the table follow the event states of ASHRAE 135 clause 13 (from memory). Acknowledging here stays here:
to acknowledge at the device would be a write to it, and plantview sends none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from plantview.alarms.changes import Changes
from plantview.alarms.life import Life
from plantview.alarms.rules import Rule
from plantview.alarms.table import UNACKNOWLEDGED, Event, State
from plantview.alarms.watch import DeviceOwn, StateIs
from plantview.model.device_event import TO_FAULT, TO_OFFNORMAL, DeviceEvent
from plantview.model.signal import Signal

AT_DEVICE: Final = "at the device"
"""Stands where a person would, when the device says that somebody acknowledged there."""
NOT_AT_DEVICE: Final = "Acknowledging here does not acknowledge at the device: that would be a write to it."
FAULT: Final = "fault"
EVENT: Final = "event"
"""Kind of a notification that asks nothing of anybody."""
STAMP_APART_MS_MAX: Final = 120_000
"""A device's time that lies farther from what we saw belongs to something else."""


def state_at(event: DeviceEvent | None) -> State:
    """Return where an alarm stands by its device's account; None: the device does not list the object."""
    if event is None:
        return State.NORM
    if not event.active:
        return State.RTNUN if event.unacknowledged else State.NORM
    went = TO_FAULT if event.state == FAULT else TO_OFFNORMAL
    return State.UNACK if went in event.unacknowledged else State.ACKED


def key_of(event: DeviceEvent | None) -> str:
    """Return what tells one transition from the next; its first word is the kind of notification."""
    if event is None:
        return ""
    went = event.latest
    stamp = "" if went is None else went.local_ms if went.local_ms is not None else went.sequence
    return f"{event.notify} {event.state} {'' if stamp is None else stamp}".strip()


def stamp_ms(life: Life, events: Mapping[str, tuple[DeviceEvent, ...]], began_ms: int) -> int | None:
    """Return the device's own time of what an alarm saw, UTC ms; None where the device or its clock tells none."""
    match life.rule.watch:
        case DeviceOwn():
            return stamped(life.event)
        case StateIs(signal):
            found = event_of(events, signal.device, signal.address)
            stamp = stamped(found) if found is not None and found.active else None
            return stamp if stamp is not None and abs(stamp - began_ms) <= STAMP_APART_MS_MAX else None
        case _:
            return None


def stamped(event: DeviceEvent | None) -> int | None:
    """Return when its device saw the last transition, corrected for the device's clock; None if unknown."""
    went = None if event is None else event.latest
    return None if went is None else went.at_ms


def event_of(events: Mapping[str, tuple[DeviceEvent, ...]], device: str, name: str) -> DeviceEvent | None:
    """Return what a device says about one of its objects; None if it does not list it."""
    return next((one for one in events.get(device, ()) if one.object_name == name), None)


def rule_for(row: Rule, watch: DeviceOwn, name: str, signal: Signal | None, *, tells: bool, speaks: str) -> Rule:
    """Return the rule of one object, read by ``signal``, from the row of its device; ``tells``: it asks for somebody."""
    return replace(
        row,
        id=f"{row.id} {name}",
        watch=replace(watch, name=name, signal=signal),
        equipment=row.equipment if signal is None else signal.equipment,
        point="" if signal is None else signal.name,
        annunciated=row.annunciated and tells,
        higher=speaks,
    )


def follow(life: Life, changes: Changes) -> None:
    """Take over what somebody did at the device, and what came and went between two looks."""
    told, state, key = state_at(life.event), life.kept.state, key_of(life.event)
    fresh = key != life.kept.device_key
    if fresh:
        life.kept.device_key, life.found = key, False
        changes.keep(life)
        changes.touch()
    if state in UNACKNOWLEDGED and told in {State.ACKED, State.NORM}:
        life.kept.acked_by = AT_DEVICE
        changes.apply(life, Event.ACKNOWLEDGE, person=AT_DEVICE)
    elif fresh and state is State.ACKED and told is State.UNACK:
        changes.apply(life, Event.RE_ALARM, note="its device reports a new transition")
    elif fresh and state is State.NORM and told is State.RTNUN:
        changes.apply(life, Event.FOUND_RETURNED, note="back to normal, not acknowledged at the device")


def shown_event(event: DeviceEvent | None) -> dict[str, Any] | None:
    """Return what a device says of its own alarm, ready for JSON."""
    if event is None:
        return None
    parts = ("word", "acknowledged", "enabled", "priority", "local_ms", "at_ms", "sequence")
    return {
        "object": event.object_name,
        "state": event.state,
        "notify": event.notify,
        "clock_offset_ms": event.clock_offset_ms,
        "transitions": [{part: getattr(one, part) for part in parts} for one in event.transitions],
    }
