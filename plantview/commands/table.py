"""The life of an override as a table: which state follows which event."""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from plantview.errors import IllegalTransition


class State(StrEnum):
    """Where an override stands; the first eight are open."""

    INTENT = "INTENT"
    """On disk; the packet may or may not have left."""
    VERIFYING = "VERIFYING"
    """The device accepted it; what it shows is being read."""
    UNKNOWN = "UNKNOWN"
    """Nobody knows whether it was done; the next reading decides."""
    HELD = "HELD"
    """Proven by reading: the value is ours."""
    RELEASING = "RELEASING"
    """The release is on disk; its packet may or may not have left."""
    TAKEN = "TAKEN"
    """Another writer's value stands where ours stood: left alone."""
    RELEASED = "RELEASED"
    NOT_WRITTEN = "NOT_WRITTEN"
    REFUSED = "REFUSED"
    """The device said no."""
    GONE = "GONE"
    """Not there any more, and not by us: released by somebody else, or the device lost its memory."""
    DISMISSED = "DISMISSED"
    """A person has seen that another writer's value stands, and leaves it."""


class Event(StrEnum):
    """What can happen to an override."""

    ACCEPTED = "ACCEPTED"
    """The device acknowledged the packet."""
    REFUSED = "REFUSED"
    UNANSWERED = "UNANSWERED"
    """The packet left and nothing came back."""
    NOT_SENT = "NOT_SENT"
    """There was no path: the packet did not leave."""
    RESTARTED = "RESTARTED"
    FOUND_OURS = "FOUND_OURS"
    """A reading shows our value."""
    FOUND_PRIOR = "FOUND_PRIOR"
    """A reading shows the value that we held before this one."""
    FOUND_EMPTY = "FOUND_EMPTY"
    """A reading shows that nobody holds the place, or that the value from before stands again."""
    FOUND_FOREIGN = "FOUND_FOREIGN"
    CHANGE = "CHANGE"
    """Our own override gets another value."""
    BEGIN_RELEASE = "BEGIN_RELEASE"
    DISMISS = "DISMISS"


S, E = State, Event
OPEN: Final = frozenset({S.INTENT, S.VERIFYING, S.UNKNOWN, S.HELD, S.RELEASING, S.TAKEN})
"""States that somebody still has to look after."""
OURS: Final = frozenset({S.INTENT, S.VERIFYING, S.UNKNOWN, S.HELD, S.RELEASING})
"""States in which the device may hold a value of ours."""

CHANGES: Final[dict[tuple[State, Event], State]] = {
    (S.INTENT, E.ACCEPTED): S.VERIFYING,
    (S.INTENT, E.REFUSED): S.REFUSED,
    (S.INTENT, E.UNANSWERED): S.UNKNOWN,
    (S.INTENT, E.NOT_SENT): S.NOT_WRITTEN,
    (S.INTENT, E.RESTARTED): S.UNKNOWN,
    (S.INTENT, E.FOUND_PRIOR): S.HELD,  # a change that was not carried out leaves the value from before
    (S.VERIFYING, E.RESTARTED): S.UNKNOWN,
    (S.VERIFYING, E.FOUND_OURS): S.HELD,
    (S.VERIFYING, E.FOUND_PRIOR): S.HELD,
    (S.VERIFYING, E.FOUND_EMPTY): S.NOT_WRITTEN,
    (S.VERIFYING, E.FOUND_FOREIGN): S.TAKEN,
    (S.UNKNOWN, E.FOUND_OURS): S.HELD,
    (S.UNKNOWN, E.FOUND_PRIOR): S.HELD,
    (S.UNKNOWN, E.FOUND_EMPTY): S.NOT_WRITTEN,
    (S.UNKNOWN, E.FOUND_FOREIGN): S.TAKEN,
    (S.HELD, E.FOUND_EMPTY): S.GONE,
    (S.HELD, E.FOUND_PRIOR): S.TAKEN,
    (S.HELD, E.FOUND_FOREIGN): S.TAKEN,
    (S.HELD, E.CHANGE): S.INTENT,
    (S.HELD, E.BEGIN_RELEASE): S.RELEASING,
    (S.RELEASING, E.REFUSED): S.HELD,
    (S.RELEASING, E.NOT_SENT): S.HELD,
    (S.RELEASING, E.FOUND_OURS): S.HELD,
    (S.RELEASING, E.FOUND_EMPTY): S.RELEASED,
    (S.RELEASING, E.FOUND_PRIOR): S.TAKEN,
    (S.RELEASING, E.FOUND_FOREIGN): S.TAKEN,
    (S.TAKEN, E.FOUND_EMPTY): S.GONE,
    (S.TAKEN, E.DISMISS): S.DISMISSED,
}
STAYS: Final[frozenset[tuple[State, Event]]] = frozenset(
    {
        (S.UNKNOWN, E.RESTARTED),
        (S.HELD, E.RESTARTED),
        (S.HELD, E.FOUND_OURS),
        (S.RELEASING, E.ACCEPTED),
        (S.RELEASING, E.UNANSWERED),
        (S.RELEASING, E.RESTARTED),
        (S.TAKEN, E.RESTARTED),
        (S.TAKEN, E.FOUND_OURS),
        (S.TAKEN, E.FOUND_PRIOR),
        (S.TAKEN, E.FOUND_FOREIGN),
    }
)
"""Events that may happen and change nothing; every pair in neither table is refused."""


def follow(state: State, event: Event) -> State:
    """Return the state after an event; IllegalTransition for what cannot happen there."""
    if (state, event) in CHANGES:
        return CHANGES[state, event]
    if (state, event) in STAYS:
        return state
    raise IllegalTransition(f"an override that is {state} cannot be told {event}")
