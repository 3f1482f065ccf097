"""The life of an alarm as a table: which state follows which event.

Follows the state model of ISA-18.2 (nine states; shelving, suppression by design and
out of service lie over the base states). Four events go beyond it. RESUME_ACKED and
RESUME_UNACKED hand an alarm back when the higher limit of its point has returned;
FOUND_ACKED and FOUND_RETURNED take over what a device had settled before it was asked.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from plantview.errors import IllegalTransition


class State(StrEnum):
    """Where an alarm stands."""

    NORM = "NORM"
    """Normal."""
    UNACK = "UNACK"
    """Active, nobody has acknowledged it."""
    ACKED = "ACKED"
    """Active, acknowledged."""
    RTNUN = "RTNUN"
    """Returned to normal before anybody acknowledged it."""
    LATUN = "LATUN"
    """Cause gone, latched, not acknowledged."""
    LATAC = "LATAC"
    """Cause gone, latched, acknowledged: waits for a reset."""
    SHLVD = "SHLVD"
    """Shelved by a person; always ends by itself."""
    DSUPR = "DSUPR"
    """Suppressed by design: what it watches does not apply now."""
    OOSRV = "OOSRV"
    """Taken out of service by a person; ends only by a person."""


class Event(StrEnum):
    """What can happen to an alarm."""

    RAISE = "RAISE"
    """The condition was true for the whole on-delay."""
    CLEAR = "CLEAR"
    """The condition was false for the whole off-delay."""
    CLEAR_LATCHED = "CLEAR_LATCHED"
    """The same, of an alarm that latches."""
    ACKNOWLEDGE = "ACKNOWLEDGE"
    RE_ALARM = "RE_ALARM"
    """Acknowledged, and still active after the re-alarm time."""
    RESET = "RESET"
    SHELVE = "SHELVE"
    SHELF_ENDS_ACTIVE = "SHELF_ENDS_ACTIVE"
    SHELF_ENDS_CLEAR = "SHELF_ENDS_CLEAR"
    SUPPRESS = "SUPPRESS"
    UNSUPPRESS = "UNSUPPRESS"
    RESUME_UNACKED = "RESUME_UNACKED"
    """The higher limit returned unacknowledged; this one is still exceeded."""
    RESUME_ACKED = "RESUME_ACKED"
    """The higher limit returned acknowledged; this one is still exceeded."""
    FOUND_ACKED = "FOUND_ACKED"
    """Its device had it in alarm, acknowledged there, when it was first asked."""
    FOUND_RETURNED = "FOUND_RETURNED"
    """It came and went at its device before it was asked, and nobody acknowledged there."""
    OUT_OF_SERVICE = "OUT_OF_SERVICE"
    IN_SERVICE = "IN_SERVICE"


# A state is the next one, "-" changes nothing, "!" is refused.
_MATRIX: Final = """
                   NORM  UNACK ACKED RTNUN LATUN LATAC SHLVD DSUPR OOSRV
RAISE              UNACK -     -     UNACK UNACK UNACK -     -     -
CLEAR              -     RTNUN NORM  -     RTNUN NORM  -     -     -
CLEAR_LATCHED      -     LATUN LATAC -     -     -     -     -     -
ACKNOWLEDGE        !     ACKED !     NORM  LATAC !     !     !     !
RE_ALARM           !     !     UNACK !     !     !     !     !     !
RESET              !     !     !     !     !     NORM  !     !     !
SHELVE             SHLVD SHLVD SHLVD SHLVD SHLVD SHLVD !     !     !
SHELF_ENDS_ACTIVE  !     !     !     !     !     !     UNACK !     !
SHELF_ENDS_CLEAR   !     !     !     !     !     !     NORM  !     !
SUPPRESS           DSUPR DSUPR DSUPR DSUPR DSUPR DSUPR -     -     -
UNSUPPRESS         -     -     -     -     -     -     -     NORM  -
RESUME_UNACKED     !     !     !     !     !     !     !     UNACK !
RESUME_ACKED       !     !     !     !     !     !     !     ACKED !
FOUND_ACKED        ACKED -     -     ACKED ACKED ACKED -     -     -
FOUND_RETURNED     RTNUN -     -     -     -     -     -     -     -
OUT_OF_SERVICE     OOSRV OOSRV OOSRV OOSRV OOSRV OOSRV OOSRV OOSRV !
IN_SERVICE         !     !     !     !     !     !     !     !     NORM
"""


def _read(matrix: str) -> dict[tuple[State, Event], State | None]:
    head, *rows = (line.split() for line in matrix.strip().splitlines())
    states = [State(word) for word in head]
    table: dict[tuple[State, Event], State | None] = {}
    for name, *cells in rows:
        for state, cell in zip(states, cells, strict=True):
            table[state, Event(name)] = {"-": state, "!": None}.get(cell) if cell in "-!" else State(cell)
    return table


TABLE: Final = _read(_MATRIX)
"""(state, event) -> the state after it; the same state if nothing changes; None if it is refused."""

ANNUNCIATING: Final = frozenset({Event.RAISE, Event.RE_ALARM, Event.SHELF_ENDS_ACTIVE})
"""A change by one of these calls for the crew's attention and counts as an annunciation."""

STANDING: Final = frozenset({State.UNACK, State.ACKED, State.RTNUN, State.LATUN, State.LATAC})
"""States that are on the alarm list."""

UNACKNOWLEDGED: Final = frozenset({State.UNACK, State.RTNUN, State.LATUN})

_PLAIN: Final[dict[State, str]] = {
    State.NORM: "it is normal",
    State.UNACK: "it is active and not acknowledged",
    State.ACKED: "it is active and acknowledged already",
    State.RTNUN: "it has returned to normal and waits for acknowledgement",
    State.LATUN: "it is latched and not acknowledged",
    State.LATAC: "it is latched and acknowledged; reset it",
    State.SHLVD: "it is shelved",
    State.DSUPR: "it is suppressed by design",
    State.OOSRV: "it is out of service",
}


def next_state(state: State, event: Event) -> State:
    """Return the state after ``event``; IllegalTransition says in words why there is none."""
    after = TABLE[state, event]
    if after is None:
        act = event.value.lower().replace("_", " ")
        raise IllegalTransition(f"{act} is not possible: {_PLAIN[state]}")
    return after
