"""The transition table: complete, and the twenty-one transitions of the state model as it prints them."""

from __future__ import annotations

from itertools import product

import pytest

from plantview.alarms.changes import KINDS
from plantview.alarms.table import ANNUNCIATING, STANDING, TABLE, UNACKNOWLEDGED, Event, State, next_state
from plantview.errors import IllegalTransition

S, E = State, Event
BASE = (S.NORM, S.UNACK, S.ACKED, S.RTNUN, S.LATUN, S.LATAC)

# Follows the transition table of the state model of ISA-18.2 (as reproduced by OPC 10000-9, clauses 4.8 and 5.8).
TRANSITIONS = [
    (S.NORM, E.RAISE, S.UNACK),
    (S.UNACK, E.ACKNOWLEDGE, S.ACKED),
    (S.UNACK, E.CLEAR, S.RTNUN),
    (S.UNACK, E.CLEAR_LATCHED, S.LATUN),
    (S.ACKED, E.CLEAR, S.NORM),
    (S.ACKED, E.CLEAR_LATCHED, S.LATAC),
    (S.ACKED, E.RE_ALARM, S.UNACK),
    (S.RTNUN, E.ACKNOWLEDGE, S.NORM),
    (S.RTNUN, E.RAISE, S.UNACK),
    (S.LATUN, E.ACKNOWLEDGE, S.LATAC),
    (S.LATUN, E.RAISE, S.UNACK),
    (S.LATAC, E.RAISE, S.UNACK),
    (S.LATAC, E.RESET, S.NORM),
    *((state, E.SHELVE, S.SHLVD) for state in BASE),
    (S.SHLVD, E.SHELF_ENDS_ACTIVE, S.UNACK),
    (S.SHLVD, E.SHELF_ENDS_CLEAR, S.NORM),
    *((state, E.SUPPRESS, S.DSUPR) for state in BASE),
    (S.DSUPR, E.UNSUPPRESS, S.NORM),
    *((state, E.OUT_OF_SERVICE, S.OOSRV) for state in (*BASE, S.SHLVD, S.DSUPR)),
    (S.OOSRV, E.IN_SERVICE, S.NORM),
]

REFUSED = [
    *((state, E.ACKNOWLEDGE) for state in (S.NORM, S.ACKED, S.LATAC, S.SHLVD, S.DSUPR, S.OOSRV)),
    *((state, E.RESET) for state in State if state is not S.LATAC),
    *((state, E.SHELVE) for state in (S.SHLVD, S.DSUPR, S.OOSRV)),
    (S.OOSRV, E.OUT_OF_SERVICE),
    *((state, E.IN_SERVICE) for state in State if state is not S.OOSRV),
]


def test_every_state_and_event_is_decided_exactly_once() -> None:
    assert set(TABLE) == set(product(State, Event))
    assert len(TABLE) == len(State) * len(Event)


@pytest.mark.parametrize(("state", "event", "after"), TRANSITIONS)
def test_each_transition_of_the_state_model_is_in_the_table(state: State, event: Event, after: State) -> None:
    assert next_state(state, event) is after


@pytest.mark.parametrize(("state", "event"), REFUSED)
def test_what_the_state_model_refuses_is_refused_in_words(state: State, event: Event) -> None:
    with pytest.raises(IllegalTransition, match=r"is not possible: it is|is not possible: it has"):
        next_state(state, event)


def test_setting_aside_lies_over_everything_that_the_plant_does() -> None:
    plant = (E.RAISE, E.CLEAR, E.CLEAR_LATCHED)
    assert all(next_state(state, event) is state for state in (S.SHLVD, S.DSUPR, S.OOSRV) for event in plant)
    assert next_state(S.SHLVD, E.SUPPRESS) is S.SHLVD
    assert next_state(S.OOSRV, E.SUPPRESS) is S.OOSRV


def test_every_call_to_the_crew_leaves_the_alarm_active_and_unacknowledged() -> None:
    called = {after for (state, event), after in TABLE.items() if event in ANNUNCIATING and after not in (None, state)}
    assert called == {S.UNACK}


def test_nothing_but_a_person_or_the_design_takes_an_unseen_alarm_off_the_list() -> None:
    off = {
        event for (state, event), after in TABLE.items() if state in UNACKNOWLEDGED and after not in (None, *STANDING)
    }
    assert off == {E.ACKNOWLEDGE, E.SHELVE, E.OUT_OF_SERVICE, E.SUPPRESS}


def test_every_event_has_its_journal_word() -> None:
    assert set(KINDS) == set(Event)
