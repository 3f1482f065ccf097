"""The running state of one alarm, and the part of it that survives a restart."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from plantview.alarms.delay import Delay
from plantview.alarms.gate import Gate
from plantview.alarms.rules import Rule
from plantview.alarms.table import State
from plantview.model.device_event import DeviceEvent

BY_DESIGN = "by design"
ADDED_LATER = frozenset({"returned_ms", "device_key", "device_watches"})
"""What an alarm written by an earlier version does not say."""


@dataclass(slots=True)
class Kept:
    """What is written down about an alarm. Times are UTC milliseconds, 0 for none."""

    state: State = State.NORM
    active: bool = False
    """Whether the condition stood, whatever lies over it."""
    since_ms: int = 0
    acked_by: str = ""
    comment: str = ""
    shelved_by: str = ""
    shelved_until_ms: int = 0
    """0 while shelved: one-shot, ends at the return to normal."""
    reason: str = ""
    """Of the shelf, or of being out of service."""
    suppressed_by: str = ""
    """``by design``, or the alarm on the farther limit."""
    text: str = ""
    """The words with which it last called, or in which its event began."""
    returned_ms: int = 0
    """When it returned to normal; 0 while it is active."""
    device_key: str = ""
    """Of a device's own alarm: the transition that was last looked at."""
    device_watches: str = ""
    """Of a device's own alarm: the object that its object watches, if that is another one."""

    def as_json(self) -> str:
        """Return it for the store."""
        return json.dumps(asdict(self), ensure_ascii=False)


def kept_from_json(text: str) -> Kept:
    """Return what was written down; ValueError if it is not what this version writes."""
    found: Any = json.loads(text)
    names = {item.name: type(item.default) for item in fields(Kept)}
    if not isinstance(found, dict) or set(found) | ADDED_LATER != set(names):
        raise ValueError("other keys than an alarm has")
    found["state"] = State(found["state"])
    if not all(isinstance(value, names[name]) for name, value in found.items()):
        raise ValueError("a value of another type than an alarm keeps")
    return Kept(**found)


@dataclass(frozen=True, slots=True)
class Returned:
    """Where an alarm stood when it returned to normal, and who had acknowledged it."""

    state: State
    acked_by: str


@dataclass(slots=True)
class Life:
    """One alarm while the engine runs."""

    rule: Rule
    kept: Kept
    delay: Delay
    gate: Gate | None
    frozen: bool = False
    """Its device is silent: the last state is kept and nothing is made up."""
    shelf_ends_s: float | None = None
    """Monotonic end of a timed shelf."""
    called_s: float = 0.0
    """Monotonic time of the last annunciation."""
    judged: bool = False
    """Whether its condition was known once since the engine started."""
    returned: Returned | None = None
    """Set in the one scan in which it returned to normal."""
    shown: dict[str, Any] = field(default_factory=dict)
    """Value, limit, unit and text: as they are while it is active, as it called once it has returned."""
    called: dict[str, Any] = field(default_factory=dict)
    """The same, when it last called."""
    gate_open: bool = True
    """Whether its gate let the condition through when it was last judged."""
    event: DeviceEvent | None = None
    """Of a device's own alarm: what the device said last; None while it does not list the object."""
    found: bool = False
    """Its device listed it the first time that it was asked: no news."""


def begin(rule: Rule, kept: Kept) -> Life:
    """Return the life of a rule from what was kept; its delays start from zero."""
    delay = Delay(rule.on_delay_s, rule.off_delay_s, active=kept.active)
    return Life(rule, kept, delay, None if rule.gate is None else Gate(rule.gate))
