"""Who does something to an alarm: the person who signed in, or the initials typed where nobody has to sign in."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from starlette.requests import Request

from plantview.model.person import Act, Person
from plantview.web.access.sessions import NOBODY
from plantview.web.answers import Problem
from plantview.web.asked import words

PERSON: Final = "plantview.person"
"""Key of the ASGI scope under which sign-in leaves the Person."""
PERSON_MAX: Final = 40


def signed_in(request: Request) -> Person | None:
    """Return who signed in; None where nobody has to, and whoever sits there is known by initials only."""
    person = request.scope.get(PERSON)
    return person if isinstance(person, Person) and person.session != NOBODY else None


def acting(request: Request, body: dict[str, Any]) -> str:
    """Return the name under which an act is journalled; what is typed never stands in for a signed-in person.

    Problem 403 if the role does not include alarms, 400 if nobody is named.
    """
    person = signed_in(request)
    if person is None:
        return words(body, "person", PERSON_MAX, required=True)
    if not person.may(Act.ALARMS):
        raise Problem(
            403,
            f"{person.name} is signed in as {person.role.value}, who may not act on alarms",
            "ask an operator, technician or lead, or have the role changed",
        )
    return person.name


def whoever(request: Request, name: str) -> dict[str, str]:
    """Return who acts with role, session and address, for the audit; ``name`` is what ``acting`` returned."""
    person = request.scope.get(PERSON)
    return replace(person, name=name).row() if isinstance(person, Person) else {}
