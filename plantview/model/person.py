"""Who acts: a person with a role, as the web process vouches for them to the field process."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final


class Role(StrEnum):
    """What somebody is at this plant. An administrator cannot write points: whoever grants the right does not use it."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    TECHNICIAN = "technician"
    LEAD = "lead"
    ADMIN = "admin"


class Act(StrEnum):
    """What a role may or may not do."""

    SEE = "see"
    ALARMS = "alarms"
    """Acknowledge, comment, shelve; markers and notes on the checkout sheet."""
    COMMAND = "command"
    """Arm equipment and write what the plant's allow-list holds; release; put up a work notice."""
    COMMAND_LONG = "command longer"
    """An expiry beyond the usual limit, another priority, out of service, another's work notice."""
    CONFIGURE = "configure"
    ACCOUNTS = "accounts"
    """Accounts, sessions of others, API keys, export of the audit."""


_EVERYBODY: Final = frozenset(Role)
_CREW: Final = frozenset({Role.OPERATOR, Role.TECHNICIAN, Role.LEAD})
MAY: Final[Mapping[Act, frozenset[Role]]] = {
    Act.SEE: _EVERYBODY,
    Act.ALARMS: _CREW,
    Act.COMMAND: frozenset({Role.TECHNICIAN, Role.LEAD}),
    Act.COMMAND_LONG: frozenset({Role.LEAD}),
    Act.CONFIGURE: frozenset({Role.LEAD, Role.ADMIN}),
    Act.ACCOUNTS: frozenset({Role.ADMIN}),
}


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who acts, in one session.

    ``session`` is a hash of the session, never the session's secret; ``source`` the address they come from.
    """

    name: str
    role: Role
    session: str
    source: str

    def may(self, act: Act) -> bool:
        """Whether this person's role includes an act."""
        return self.role in MAY[act]

    def row(self) -> dict[str, str]:
        """Return the person as the channel carries them."""
        return {"name": self.name, "role": self.role.value, "session": self.session, "source": self.source}

    @classmethod
    def from_row(cls, row: Mapping[str, Any]) -> Person:
        """Read a person from the channel. Raises KeyError or ValueError for what is no person."""
        return cls(str(row["name"]), Role(row["role"]), str(row["session"]), str(row["source"]))
