"""The life of an override: every pair of state and event is decided, and no path loses an override that is ours."""

from __future__ import annotations

import itertools

import pytest

from plantview.commands.table import CHANGES, OPEN, OURS, STAYS, Event, State, follow
from plantview.errors import IllegalTransition

ENDS = set(State) - OPEN
E, S = Event, State


def test_every_pair_changes_stays_or_is_refused() -> None:
    decided = {"changes": 0, "stays": 0, "refused": 0}
    for state, event in itertools.product(State, Event):
        if (state, event) in CHANGES:
            assert (state, event) not in STAYS
            assert follow(state, event) is CHANGES[state, event] is not state
            decided["changes"] += 1
        elif (state, event) in STAYS:
            assert follow(state, event) is state
            decided["stays"] += 1
        else:
            with pytest.raises(IllegalTransition, match=str(state)):
                follow(state, event)
            decided["refused"] += 1
    assert sum(decided.values()) == len(State) * len(Event)
    assert min(decided.values()) > 0


def test_an_override_that_may_be_ours_ends_only_after_a_reading_or_a_clear_no() -> None:
    proofs = {E.FOUND_EMPTY, E.REFUSED, E.NOT_SENT}
    ended_by = {(state, event) for (state, event), after in CHANGES.items() if state in OURS and after in ENDS}
    assert {event for _, event in ended_by} == proofs
    assert {state for state, event in ended_by if event in {E.REFUSED, E.NOT_SENT}} == {S.INTENT}


def test_what_has_ended_stays_ended() -> None:
    for state, event in itertools.product(ENDS, Event):
        with pytest.raises(IllegalTransition):
            follow(state, event)


def test_nothing_is_sent_after_an_unknown_result_before_a_reading() -> None:
    for state in (S.UNKNOWN, S.INTENT, S.VERIFYING, S.RELEASING, S.TAKEN):
        for event in (E.BEGIN_RELEASE, E.CHANGE):
            with pytest.raises(IllegalTransition):
                follow(state, event)


def test_another_writers_value_is_left_alone_from_every_state() -> None:
    for state in OURS - {S.INTENT}:
        assert follow(state, E.FOUND_FOREIGN) is S.TAKEN
    with pytest.raises(IllegalTransition):
        follow(S.TAKEN, E.BEGIN_RELEASE)


def test_every_open_state_survives_a_restart() -> None:
    assert {state: follow(state, E.RESTARTED) for state in OPEN} == {
        S.INTENT: S.UNKNOWN, S.VERIFYING: S.UNKNOWN, S.UNKNOWN: S.UNKNOWN, S.HELD: S.HELD, S.RELEASING: S.RELEASING,
        S.TAKEN: S.TAKEN,
    }  # fmt: skip
