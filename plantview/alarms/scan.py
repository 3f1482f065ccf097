"""One alarm against one frame."""

from __future__ import annotations

from typing import Any, Final

from plantview.alarms import journal
from plantview.alarms.changes import Changes
from plantview.alarms.delay import Edge
from plantview.alarms.life import BY_DESIGN, Life, Returned
from plantview.alarms.own import AT_DEVICE, follow, stamped, state_at
from plantview.alarms.table import STANDING, Event, State
from plantview.alarms.watch import DeviceOwn, Losses, Scan, judge
from plantview.alarms.words import NOTHING, describe

ACTIVE: Final = frozenset({State.UNACK, State.ACKED})
ASIDE: Final = frozenset({State.SHLVD, State.OOSRV})
"""Set aside by a person: shown as it is now, whatever it was when it called."""
START_GRACE_S: Final = 120.0
"""After a start, a shelf that has ended waits so long for the first reading that tells how things are."""


def scan_alarm(life: Life, higher: Life | None, scan: Scan, changes: Changes) -> Edge:
    """Judge one alarm and move it; return whether its condition rose or fell."""
    life.returned = None
    frozen = not scan.silent.keys().isdisjoint(life.rule.devices)
    if frozen is not life.frozen:
        life.frozen = frozen
        changes.touch()
    if frozen:
        life.delay.restart()
        return Edge.NONE
    gate = True if life.gate is None else life.gate.evaluate(scan.frame, scan.now_s)
    if gate is False and life.rule.suppressed_otherwise:
        return _suppress(life, scan, changes)
    if gate and life.kept.suppressed_by == BY_DESIGN:
        changes.apply(life, Event.UNSUPPRESS)
    _speak_for_itself(life, higher, changes)
    edge = _judge(life, gate, scan, changes)
    if not life.rule.annunciated:
        _journal_event(life, edge, changes)
        return edge
    _end_shelf(life, scan, changes, covered=stands(life, higher))
    if gate is None and life.kept.state is State.NORM and life.rule.suppressed_otherwise:
        changes.apply(life, Event.SUPPRESS, note="whether it applies is unknown")
        life.kept.suppressed_by = BY_DESIGN
    if _covered(life):
        _hand_back(life, higher, changes)
    else:
        _move(life, edge, higher, scan, changes)
    if isinstance(life.rule.watch, DeviceOwn) and life.rule.watch.device in scan.events:
        follow(life, changes)
    return edge


def _judge(life: Life, gate: bool | None, scan: Scan, changes: Changes) -> Edge:
    life.gate_open = gate is True
    bare = judge(life.rule.watch, scan, active=life.delay.active)
    condition = _both(gate, bare)
    life.judged = life.judged or condition is not None
    edge = life.delay.step(condition, scan.now_s)
    if life.delay.active or life.kept.state in ASIDE:
        _show(life, describe(life.rule, scan.frame, scan.silent, life.event) or life.shown, changes)
    if edge is Edge.RAISE:
        life.kept.since_ms, life.kept.returned_ms = _began_ms(life, changes), 0
        life.called, life.kept.text = life.shown, str(life.shown.get("text", ""))
    if edge is Edge.CLEAR:
        _note_return(life, changes)
    if edge is not Edge.NONE:
        changes.keep(life)
    return edge


def _began_ms(life: Life, changes: Changes) -> int:
    """Return when an alarm came: what its device says, where the device's clock is known, else now."""
    now_ms, stamp = changes.clock.now_ms(), stamped(life.event)
    return now_ms if stamp is None else min(now_ms, stamp)


def _note_return(life: Life, changes: Changes) -> None:
    """An alarm that has returned says when, in the words with which it called."""
    life.kept.returned_ms = changes.clock.now_ms()
    if life.kept.state not in ASIDE:
        _show(life, life.called or {**NOTHING, "text": life.kept.text}, changes)


def _show(life: Life, shown: dict[str, Any], changes: Changes) -> None:
    if shown != life.shown:
        life.shown = shown
        changes.touch()


def _both(gate: bool | None, bare: bool | None) -> bool | None:
    """Return gate and bare condition together: what is surely false is false, whatever is unknown."""
    if gate is False or bare is False:
        return False
    return None if gate is None or bare is None else True


def _suppress(life: Life, scan: Scan, changes: Changes) -> Edge:
    edge = Edge.CLEAR if life.delay.active else Edge.NONE
    life.judged = True
    life.gate_open = False
    life.delay.forget()
    if not life.rule.annunciated:
        _journal_event(life, edge, changes)
        return edge
    _end_shelf(life, scan, changes, covered=False)
    changes.apply(life, Event.SUPPRESS, note="it does not apply now")
    if life.kept.state is State.DSUPR:
        life.kept.suppressed_by = BY_DESIGN
    if edge is Edge.CLEAR:
        changes.keep(life)
    return edge


def _journal_event(life: Life, edge: Edge, changes: Changes) -> None:
    if edge is not Edge.NONE:
        changes.keep(life)
        changes.say(journal.EVENT if edge is Edge.RAISE else journal.RTN, life, life.kept.state)


def _end_shelf(life: Life, scan: Scan, changes: Changes, *, covered: bool) -> None:
    """End a shelf that is over; ``covered`` says that a farther limit speaks for this alarm."""
    if life.kept.state is not State.SHLVD:
        return
    if life.shelf_ends_s is None:
        if not life.delay.active:
            changes.apply(life, Event.SHELF_ENDS_CLEAR, note="back to normal, the one-shot shelf ends")
        return
    if scan.now_s < life.shelf_ends_s or not (life.judged or scan.since_start_s >= START_GRACE_S):
        return
    stopped = life.shelf_ends_s < scan.now_s - scan.since_start_s
    note = "shelf ended while stopped" if stopped else "shelf ended"
    event = Event.SHELF_ENDS_ACTIVE if life.delay.active and not covered else Event.SHELF_ENDS_CLEAR
    changes.apply(life, event, note=note)


def stands(life: Life, higher: Life | None) -> bool:
    """Return whether ``higher`` speaks for an alarm now."""
    if higher is None or higher.kept.state not in ACTIVE:
        return False
    watch = higher.rule.watch
    return not isinstance(watch, Losses) or life.rule.equipment in watch.lost


def _covered(life: Life) -> bool:
    return life.kept.state is State.DSUPR and life.kept.suppressed_by != BY_DESIGN


def _speak_for_itself(life: Life, higher: Life | None, changes: Changes) -> None:
    """Start afresh once the farther limit was set aside: it no longer speaks for this one."""
    if _covered(life) and not stands(life, higher) and (higher is None or higher.returned is None):
        life.delay.forget()
        changes.apply(life, Event.UNSUPPRESS, note="the farther limit was set aside")


def _hand_back(life: Life, higher: Life | None, changes: Changes) -> None:
    """Decide about an alarm for which its farther limit speaks."""
    if not life.delay.active:
        changes.apply(life, Event.UNSUPPRESS, note="back to normal")
    elif higher is not None and higher.returned is not None:
        # who acknowledged a cause has not seen this one: only the same value's farther limit is the same news
        acked = higher.returned.state is State.ACKED and higher.rule.id not in life.rule.follows
        life.kept.acked_by = higher.returned.acked_by if acked else ""
        changes.apply(life, Event.RESUME_ACKED if acked else Event.RESUME_UNACKED, note=f"{higher.rule.id} returned")


def _move(life: Life, edge: Edge, higher: Life | None, scan: Scan, changes: Changes) -> None:
    rule, state = life.rule, life.kept.state
    speaker = higher.rule.id if higher is not None and stands(life, higher) and life.delay.active else ""
    called = frozenset() if speaker in rule.follows else ACTIVE
    if speaker and (edge is Edge.RAISE or state in called | {State.NORM}):
        changes.apply(life, Event.SUPPRESS, note=f"{speaker} speaks for it", kind=journal.COVERED)
        if life.kept.state is State.DSUPR:
            life.kept.suppressed_by = speaker
    elif edge is Edge.RAISE:
        settled = life.found and state_at(life.event) is State.ACKED
        life.kept.acked_by = AT_DEVICE if settled else life.kept.acked_by
        changes.apply(life, Event.FOUND_ACKED if settled else Event.RAISE)
    elif edge is Edge.CLEAR:
        life.returned = Returned(state, life.kept.acked_by) if state in ACTIVE else None
        changes.apply(life, Event.CLEAR_LATCHED if rule.latching else Event.CLEAR)
    elif state is State.ACKED and 0 < rule.re_alarm_s <= scan.now_s - life.called_s:
        changes.apply(life, Event.RE_ALARM, note=f"still active after {rule.re_alarm_s:g} s")


def is_over(life: Life) -> bool:
    """Return whether nothing of an alarm is left: inactive and off the list."""
    return not life.delay.active and life.kept.state not in STANDING
