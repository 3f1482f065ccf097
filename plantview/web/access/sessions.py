"""Sessions of signed-in people, kept by the server: a random secret outside, its hash inside, and an end that holds.

Ended by signing out, by an administrator, by a change of the account, by idleness, by age, or by the end of the process.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Final

from plantview.clock import Clock
from plantview.model.person import MAY, Act, Person, Role
from plantview.web.access.accounts import Account, Book
from plantview.web.access.passwords import digest

ABSOLUTE_S: Final = 16 * 3_600.0
"""A long shift; then everybody signs in again."""
IDLE_S: Final = 12 * 3_600.0
IDLE_STRICT_S: Final = 30 * 60.0
"""For those who may command or keep accounts; arming drops earlier, by itself."""
CONFIRMED_S: Final = 60.0
PER_PERSON_MAX: Final = 10
NOBODY: Final = digest("")
"""Hash of no session: of everybody while accounts are off, of the wall."""


@dataclass
class Session:
    """One sign-in on one browser."""

    id: str
    """SHA-256 of the secret that the browser holds."""
    name: str
    role: Role
    hash: str
    """The account's password hash at sign-in: another one ends the session."""
    source: str
    made_ms: int
    made_s: float
    seen_s: float
    confirmed_until_s: float = 0.0
    ended: asyncio.Event = field(default_factory=asyncio.Event)

    @property
    def idle_s(self) -> float:
        """Return how long it may stay without its person doing anything."""
        strict = self.role in MAY[Act.COMMAND] | MAY[Act.ACCOUNTS]
        return IDLE_STRICT_S if strict else IDLE_S

    def person(self) -> Person:
        """Return whose it is."""
        return Person(self.name, self.role, self.id, self.source)


class Sessions:
    """All sessions of one web process; ``on_end`` is told of each that ends, and why."""

    def __init__(self, clock: Clock, on_end: Callable[[Session, str], None] = lambda _session, _why: None) -> None:
        self._clock, self._on_end = clock, on_end
        self._open: dict[str, Session] = {}

    def open(self, account: Account, source: str) -> tuple[str, Session]:
        """Begin a session; return the secret for the browser, which is kept nowhere, and the session."""
        secret, now = secrets.token_urlsafe(32), self._clock.monotonic_s()
        made = Session(digest(secret), account.name, account.role, account.hash, source, self._clock.now_ms(), now, now)
        own = [session for session in self._open.values() if session.name == account.name]
        if len(own) >= PER_PERSON_MAX:
            self.end(min(own, key=lambda session: session.seen_s).id, f"more than {PER_PERSON_MAX} of one person")
        self._open[made.id] = made
        return secret, made

    def of(self, secret: str) -> Session | None:
        """Return the session of a browser, if it still holds."""
        session = self._open.get(digest(secret)) if secret else None
        if session is not None and (why := self._over(session)):
            self.end(session.id, why)
            return None
        return session

    def touch(self, session: str) -> None:
        """Note that its person did something."""
        if found := self._open.get(session):
            found.seen_s = self._clock.monotonic_s()

    def confirm(self, session: str) -> None:
        """Note that its person gave the password again just now."""
        if found := self._open.get(session):
            found.confirmed_until_s = self._clock.monotonic_s() + CONFIRMED_S

    def take_confirmation(self, session: str) -> bool:
        """Whether the password was given again within the last minute; it counts once."""
        found = self._open.get(session)
        if found is None:
            return False
        fresh = self._clock.monotonic_s() < found.confirmed_until_s
        found.confirmed_until_s = 0.0
        return fresh

    def end(self, session: str, why: str) -> bool:
        """End a session: its sockets close, its secret opens nothing any more."""
        found = self._open.pop(session, None)
        if found is None:
            return False
        found.ended.set()
        self._on_end(found, why)
        return True

    def end_all(self, name: str, why: str, but: str = "") -> int:
        """End every session of one person, but for one; return how many."""
        return sum(
            self.end(row.id, why) for row in self.all() if row.name.casefold() == name.casefold() and row.id != but
        )

    def sweep(self, book: Book) -> None:
        """End what is over: by time, or because the account is no longer what it was."""
        for session in self.all():
            why = self._over(session) or _changed(session, book.account(session.name))
            if why:
                self.end(session.id, why)

    def renew(self, session: str, account: Account) -> None:
        """Let a session outlive the change of password that was made in it."""
        if found := self._open.get(session):
            found.hash = account.hash

    def all(self) -> list[Session]:
        """Return the open sessions, the oldest first."""
        return list(self._open.values())

    def socket_end(self, session: str) -> asyncio.Event | None:
        """Return the event that is set when a session ends; None for what is no session."""
        found = self._open.get(session)
        return found.ended if found else None

    def _over(self, session: Session) -> str:
        now = self._clock.monotonic_s()
        limits: Iterable[tuple[bool, str]] = (
            (now - session.made_s >= ABSOLUTE_S, f"{ABSOLUTE_S / 3_600:g} h after sign-in"),
            (now - session.seen_s >= session.idle_s, f"nothing done for {session.idle_s / 60:g} min"),
        )
        return next((why for over, why in limits if over), "")


def _changed(session: Session, account: Account | None) -> str:
    if account is None:
        return "the account was removed"
    if account.role is not session.role:
        return f"the role changed from {session.role} to {account.role}"
    return "" if account.hash == session.hash else "the password was changed"
