"""The alarm list as the channel and the pages take it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from plantview.alarms.amounts import shown_span, shown_value
from plantview.alarms.firstout import Place
from plantview.alarms.life import Life
from plantview.alarms.own import NOT_AT_DEVICE, shown_event
from plantview.alarms.table import STANDING, UNACKNOWLEDGED, State
from plantview.alarms.watch import Deviation, DeviceOwn, Limit, Rate
from plantview.alarms.words import NOTHING
from plantview.clock import Clock


def snapshot(lives: Iterable[Life], places: Mapping[str, Place], clock: Clock, seq: int, health: str) -> dict[str, Any]:
    """Return what stands, most urgent and newest first, and what was set aside.

    Keys: seq, at_ms, active, counts (by priority "1" to "4", and "unacked"), shelved,
    out_of_service, suppressed (how many), suppressed_ids, frozen (how many), health.
    """
    by_state: dict[State, list[Life]] = {}
    frozen = 0
    for life in lives:
        frozen += life.frozen
        by_state.setdefault(life.kept.state, []).append(life)
    standing = [life for state in STANDING for life in by_state.get(state, [])]
    standing.sort(key=lambda life: (life.rule.priority, -life.kept.since_ms, life.rule.id))
    counts = {str(priority): sum(life.rule.priority == priority for life in standing) for priority in (1, 2, 3, 4)}
    counts["unacked"] = sum(life.kept.state in UNACKNOWLEDGED for life in standing)
    suppressed = sorted(life.rule.id for life in by_state.get(State.DSUPR, []))
    return {
        "seq": seq,
        "at_ms": clock.now_ms(),
        "active": [_record(life, places, clock) for life in standing],
        "counts": counts,
        "shelved": [_record(life, places, clock) for life in by_state.get(State.SHLVD, [])],
        "out_of_service": [_record(life, places, clock) for life in by_state.get(State.OOSRV, [])],
        "suppressed": len(suppressed),
        "suppressed_ids": suppressed,
        "frozen": frozen,
        "health": health,
    }


def _record(life: Life, places: Mapping[str, Place], clock: Clock) -> dict[str, Any]:
    rule, kept = life.rule, life.kept
    place = places.get(rule.id)
    return {
        "id": rule.id,
        "equipment": rule.equipment,
        "point": rule.point,
        "type": rule.type,
        "class": rule.class_name,
        "state": kept.state.value,
        "priority": rule.priority,
        "since_ms": kept.since_ms,
        "returned_ms": kept.returned_ms or None,
        **(life.shown or {**NOTHING, "text": kept.text}),
        "active": life.delay.active,
        "acked": kept.state not in UNACKNOWLEDGED,
        "acked_by": kept.acked_by,
        "comment": kept.comment,
        "frozen": life.frozen,
        "first_out": place.rank if place else None,
        "first_out_tie": bool(place and place.tied),
        "cause": rule.cause,
        "consequence": rule.consequence,
        "action": rule.action,
        "time_to_respond_s": rule.time_to_respond_s,
        "latching": rule.latching,
        "shelved_until_ms": _shelf_end_ms(life, clock),
        "shelved_by": kept.shelved_by,
        "reason": kept.reason,
        "shelve_max_s": rule.shelve_max_s,
        "device_event": shown_event(life.event),
    }


def rule_record(life: Life, places: Mapping[str, Place], clock: Clock) -> dict[str, Any]:
    """Return one alarm with how it is configured, whatever its state; keys of the list and those of its rule.

    ``limit_reported`` is a limit that stands still, in the unit in which its point is read.
    """
    rule = life.rule
    watch = rule.watch
    limits: dict[str, str | float] = {}
    if isinstance(watch, Limit):
        _, limit, unit = shown_value(watch.limit, watch.signal, rule.system)
        limits |= {"limit_text": f"{limit} {unit}".strip(), "limit_reported": watch.limit}
    if isinstance(watch, Deviation | Rate):
        _, limit, unit = shown_span(watch.limit, watch.signal, rule.system)
        limits["limit_text"] = f"{limit} {unit}".strip()
    if isinstance(watch, Limit | Deviation | Rate):
        _, deadband, unit = shown_span(watch.deadband, watch.signal, rule.system)
        limits["deadband_text"] = f"{deadband} {unit}".strip()
    return {
        **_record(life, places, clock),
        **limits,
        "annunciated": rule.annunciated,
        "points": [signal.name for signal in watch.signals],
        "when": rule.when,
        "otherwise": "suppressed" if rule.suppressed_otherwise else "normal",
        "on_delay_s": rule.on_delay_s,
        "off_delay_s": rule.off_delay_s,
        "detection_s": rule.detection_s,
        "re_alarm_s": rule.re_alarm_s,
        "first_out_group": rule.first_out,
        "speaks_for_it": ", ".join(rule.speakers),
        "suppressed_by": life.kept.suppressed_by,
        "device_note": NOT_AT_DEVICE if isinstance(watch, DeviceOwn) else "",
    }


def _shelf_end_ms(life: Life, clock: Clock) -> int | None:
    """Return the end of a timed shelf as this clock shows it, however often it was stepped."""
    if life.kept.state is not State.SHLVD or life.shelf_ends_s is None:
        return None
    return clock.now_ms() + round((life.shelf_ends_s - clock.monotonic_s()) * 1_000)
