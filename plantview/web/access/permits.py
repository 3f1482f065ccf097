"""Which act a route needs: one table over the paths of ``routes.py``.

What only reads needs ``Act.SEE`` unless a line here says otherwise. What is posted must have a line: a new route
without one is answered to nobody, so that it cannot be forgotten.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from plantview.model.person import Act
from plantview.web import routes

OPEN: Final = frozenset({routes.ALIVE, routes.SIGN_IN, routes.SESSION_BEGIN})
"""Answered to anybody with any method that they take: the sign-in itself, and whether this process runs."""
OPEN_BELOW: Final = ("/assets/",)
"""Files of the program, the same at every plant."""
WALL: Final = frozenset({routes.WALL, routes.SCHEMATIC, routes.LIVE, f"{routes.API}/plant"})
"""What the wall page asks for; anonymous where that was configured."""
ACTS: Final[Mapping[str, Act]] = {
    routes.CALLBACK: Act.SEE,
    routes.SESSION_END: Act.SEE,
    routes.SESSION_CONFIRM: Act.SEE,
    routes.SESSION_HERE: Act.SEE,
    routes.SESSION_PASSWORD: Act.SEE,
    routes.SESSIONS: Act.ACCOUNTS,
    routes.SESSIONS_END: Act.ACCOUNTS,
    routes.ACKNOWLEDGE: Act.ALARMS,
    routes.ALARM_ACT: Act.ALARMS,
    routes.COMMAND_ACT: Act.SEE,  # in practice everybody may; the field process judges role and arming of each act
    routes.NOTICE_TEST: Act.ALARMS,
    **dict.fromkeys(routes.STARTUP_POSTED, Act.ALARMS),
    routes.FINDING_DECIDE: Act.ALARMS,  # a decision frees a number or names a line; it changes no file
    routes.THERMOMETER: Act.ALARMS,
    routes.EVIDENCE: Act.ALARMS,  # it holds the plant description, addresses of devices included
}
"""Path, or what paths begin with where it ends in a slash, and the act that it takes; the longest counts."""
FOR_PROGRAMS: Final = frozenset({Act.SEE, Act.ALARMS})
"""A key opens these alone, whatever its role."""


def is_open(path: str) -> bool:
    """Whether a path is answered to anybody."""
    return path in OPEN or path.startswith(OPEN_BELOW)


def by_hand(path: str) -> bool:
    """Whether a person asks for it, not a page by itself: it keeps a session from being idle."""
    return path in routes.PAGES or path in {routes.PHONE, routes.HELP, routes.ACCOUNT} or path in routes.POSTED


def act_of(path: str) -> Act | None:
    """Return the act that a path needs; None for a posted one that has no line: nobody may."""
    if path in ACTS:
        return ACTS[path]
    below = [start for start in ACTS if start.endswith("/") and path.startswith(start)]
    if below:
        return ACTS[max(below, key=len)]
    posted = "POST" in routes.allowed_methods(path)
    return None if posted else Act.SEE
