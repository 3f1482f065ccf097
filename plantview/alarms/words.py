"""What an alarm says: value, limit and unit in the plant's own unit system."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final

from plantview.alarms.amounts import shown_span, shown_value
from plantview.alarms.gate import usable
from plantview.alarms.names import is_on, state_word
from plantview.alarms.rules import Rule
from plantview.alarms.watch import Deviation, DeviceOwn, Limit, Losses, Mismatch, Rate, Silence, StateIs, Unusable
from plantview.model.device_event import DeviceEvent
from plantview.model.reading import Frame
from plantview.model.signal import Signal

_ABBREVIATION: Final = re.compile(r"\s*\([^)]*\)$")
NOTHING: Final[dict[str, Any]] = {"value": None, "limit": None, "unit": ""}


def describe(
    rule: Rule, frame: Frame, silent: Mapping[str, str], event: DeviceEvent | None = None
) -> dict[str, Any] | None:
    """Return value, limit, unit and text of an alarm; None while its readings, or its device, do not tell."""
    watch = rule.watch
    match watch:
        case Limit(signal):
            value = usable(signal, frame)
            return None if value is None else _limit(watch, value, rule.system)
        case Deviation():
            return _deviation(watch, frame, rule.system)
        case Rate(signal):
            value = usable(signal, frame)
            return None if value is None else _rate(watch, value, rule.system)
        case StateIs():
            value = usable(watch.signal, frame)
            return None if value is None else _said(_state(watch, value))
        case Mismatch():
            return _mismatch(watch, frame, rule.system)
        case Unusable(signal):
            return _said(f"{label(signal)}: no usable value, {frame.reading(signal.name).reason or 'now usable again'}")
        case Silence() | DeviceOwn():
            return _of_device(watch, silent, event)
        case Losses(_, within_s, lost):
            return _said(f"{len(lost)} devices lost within {within_s:g} s: {', '.join(sorted(lost))}") if lost else None


def label(signal: Signal) -> str:
    """Return the label of a signal as the beginning of a sentence, without its abbreviation."""
    text = _ABBREVIATION.sub("", signal.label or signal.measurement)
    return text[:1].upper() + text[1:]


def _said(text: str) -> dict[str, Any]:
    return {**NOTHING, "text": text}


def _spaced(number: str, unit: str) -> str:
    return f"{number} {unit}".strip()


def _limit(watch: Limit, value: float, system: str) -> dict[str, Any]:
    number, text, unit = shown_value(value, watch.signal, system)
    limit, limit_text, _ = shown_value(watch.limit, watch.signal, system)
    said = f"{label(watch.signal)} {_spaced(text, unit)}, limit {limit_text}"
    return {"value": number, "limit": limit, "unit": unit, "text": said}


def _deviation(watch: Deviation, frame: Frame, system: str) -> dict[str, Any] | None:
    value, target = usable(watch.signal, frame), watch.target(frame)
    if value is None or target is None:
        return None
    sign = 1 if watch.upper else -1
    number, text, unit = shown_value(value, watch.signal, system)
    limit, limit_text, _ = shown_value(target + sign * watch.limit, watch.signal, system)
    _, target_text, _ = shown_value(target, watch.signal, system)
    said = f"{label(watch.signal)} {_spaced(text, unit)}, limit {limit_text} (setpoint {target_text})"
    return {"value": number, "limit": limit, "unit": unit, "text": said}


def _of_device(
    watch: Silence | DeviceOwn, silent: Mapping[str, str], event: DeviceEvent | None
) -> dict[str, Any] | None:
    if isinstance(watch, DeviceOwn):
        return None if event is None else _said(_reported(watch, event))
    said = f"No answer from {watch.label}" if watch.device in silent else f"{watch.label} answers"
    why = f": {silent[watch.device]}" if silent.get(watch.device) else ""
    return _said(f"{said}{why}")


def _reported(watch: DeviceOwn, event: DeviceEvent) -> str:
    what = event.object_name if watch.signal is None else label(watch.signal)
    return f"{what}: {event.state.replace('-', ' ')} reported by {watch.label or watch.device}"


REPORTED_BY: Final = {"fault": "the panel", "drive_fault": "the drive"}
RUN_WORDS: Final = {
    (True, False): "Commanded on, no run status",
    (False, True): "Commanded off, still runs",
    (True, True): "Commanded on, runs",
    (False, False): "Commanded off, stands",
}
"""(commanded on, run status on) -> how a crew says it."""


def _state(watch: StateIs, value: float) -> str:
    reporter = REPORTED_BY.get(watch.signal.measurement)
    if reporter is None:
        return f"{label(watch.signal)}: {state_word(watch.signal, value)}"
    return f"{'Fault' if round(value) in watch.numbers else 'No fault'} reported by {reporter}"


def _answered(watch: Mismatch, command: float, answer: float) -> str:
    ordered, answers = is_on(watch.command, command), is_on(watch.signal, answer)
    if watch.signal.measurement == "status" and ordered is not None and answers is not None:
        return RUN_WORDS[ordered, answers]
    said = f"{label(watch.signal).lower()} {state_word(watch.signal, answer)}"
    return f"Commanded {state_word(watch.command, command)}, {said}"


def _rate(watch: Rate, value: float, system: str) -> dict[str, Any]:
    number, text, unit = shown_value(value, watch.signal, system)
    limit, limit_text, limit_unit = shown_span(watch.limit, watch.signal, system)
    allowed = f"{_spaced(limit_text, limit_unit)} in {watch.within_s:g} s"
    said = f"{label(watch.signal)} {_spaced(text, unit)}, changed by more than {allowed}"
    return {"value": number, "limit": limit, "unit": unit, "text": said}


def _mismatch(watch: Mismatch, frame: Frame, system: str) -> dict[str, Any] | None:
    answer, command = usable(watch.signal, frame), usable(watch.command, frame)
    if answer is None or command is None:
        return None
    if watch.allowed is None:
        return _said(_answered(watch, command, answer))
    number, text, unit = shown_value(answer, watch.signal, system)
    _, command_text, _ = shown_value(command, watch.signal, system)
    said = f"{label(watch.signal)} {_spaced(text, unit)}, commanded {command_text}"
    return {**NOTHING, "value": number, "unit": unit, "text": said}
