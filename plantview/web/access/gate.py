"""Decides for every request who asks and whether they may; the guard asks it, nobody goes past it."""

from __future__ import annotations

import asyncio
import hashlib
import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import Any, Final

from starlette.datastructures import Headers
from starlette.types import Scope

from plantview.clock import Clock
from plantview.errors import StartRefused
from plantview.model.person import Act, Person, Role
from plantview.web.access.access_log import AccessLog
from plantview.web.access.accounts import AccountsFile, Book
from plantview.web.access.attempts import Attempts
from plantview.web.access.callers import Caller, caller_of
from plantview.web.access.passwords import Hashing, digest
from plantview.web.access.permits import FOR_PROGRAMS, WALL, act_of, by_hand, is_open
from plantview.web.access.sessions import NOBODY, Session, Sessions
from plantview.web.answers import Problem
from plantview.web.routes import MONITORING

SCOPE_KEY: Final = "plantview.person"
SWEEP_REAL_S: Final = 1.0
KEY_PREFIX: Final = "key:"
"""Before the name of a program, which no account can have."""

log = logging.getLogger("plantview.web.access")


@dataclass(frozen=True, slots=True)
class Terms:
    """What was settled at start: whether accounts must be on, and how requests reach this server."""

    required: bool = False
    """Accounts are on even without a file: bound beyond this computer."""
    open_wall: bool = False
    """The wall page is shown to anybody."""
    openmetrics: bool = False
    """Whether ``/metrics`` is there at all."""
    proxy: str = ""
    """Address of the gateway in front; empty for none."""


class Access:
    """Accounts, sessions and keys of one plant; ``data`` None stands for accounts off and no record on disk."""

    def __init__(
        self, clock: Clock, data: Path | None = None, terms: Terms | None = None, hashing: Hashing | None = None
    ) -> None:
        self.terms = terms or Terms()
        self.log = AccessLog(data, clock)
        self.sessions = Sessions(clock, self._ended)
        self.attempts = Attempts(clock)
        self.hashing = hashing or Hashing()
        self.file = AccountsFile(data) if data is not None else None
        self.cookie = f"plantview-{hashlib.sha256(str(data).encode()).hexdigest()[:8]}"
        """Two plants on one computer share its cookies, for cookies know no port: each has a name of its own."""
        self._clock = clock
        self._book = Book()
        self._stamp: tuple[int, ...] = ()
        self._on = self.terms.required
        self._turned_on = asyncio.Event()
        self.on_ended: Callable[[Session, str], None] = lambda _session, _why: None
        """Told of each session that ends: what it has armed must be dropped."""
        self._keys_gone: dict[str, asyncio.Event] = {}
        self.refresh()

    @property
    def on(self) -> bool:
        """Whether people sign in; once on it stays on, also when the file vanishes: then nobody enters."""
        return self._on

    @property
    def book(self) -> Book:
        """Return everybody who is known, as of the last second."""
        return self._book

    def refresh(self) -> None:
        """Take over what changed in the file, and end the sessions that are over."""
        if self.file is None:
            return
        stamp = self.file.stamp()
        if stamp != self._stamp:
            self._stamp = stamp
            self._on = self._on or bool(stamp)
            if self._on:
                self._turned_on.set()
            try:
                self._book = self.file.read()
            except StartRefused as trouble:
                # whoever was known stays known: a mistake in the file must not let in or lock out anybody
                log.error("%s", trouble)  # noqa: TRY400 -- the sentence says all
        self.sessions.sweep(self._book)
        known = {key.hash for key in self._book.keys.values()}
        for gone in self._keys_gone.keys() - known:
            self._keys_gone.pop(gone).set()

    def end_of(self, person: Person) -> asyncio.Event:
        """Return the event at which the open sockets of somebody close."""
        if person.name.startswith(KEY_PREFIX):
            return self._keys_gone.setdefault(person.session, asyncio.Event())
        if person.session == NOBODY:
            return asyncio.Event() if self.on else self._turned_on
        over = asyncio.Event()
        over.set()
        return self.sessions.socket_end(person.session) or over

    async def run(self) -> None:
        """Do so once a second, until cancelled: open pages of an ended session close without asking anything."""
        while True:
            self.refresh()
            await asyncio.sleep(SWEEP_REAL_S)

    def caller(self, scope: Scope, headers: Headers) -> Caller:
        """Return where a request comes from; Problem 403 if it goes past the gateway."""
        return caller_of(scope, headers, self.terms.proxy)

    def identify(self, path: str, headers: Headers, caller: Caller) -> Person:
        """Return who asks; Problem 401 without a session or key that holds, where one is needed."""
        self.refresh()
        person = self._person(headers, caller)
        if person is not None:
            return person
        if is_open(path) or (self.terms.open_wall and path in WALL):
            return Person("", Role.VIEWER, NOBODY, caller.source)
        raise Problem(401, "nobody is signed in here", "sign in at /sign-in, or send the key of a program")

    def permit(self, person: Person, path: str) -> None:
        """Let somebody pass whose role reaches; Problem 403 for others."""
        if is_open(path):
            return
        act = act_of(path)
        for_program = person.name.startswith(KEY_PREFIX)
        if act is None or not person.may(act) or (for_program and act not in FOR_PROGRAMS):
            raise Problem(
                403, f"{person.name} ({person.role}) may not do this", "ask who keeps the accounts of this plant"
            )
        if by_hand(path):
            self.sessions.touch(person.session)

    def is_there(self, path: str) -> bool:
        """Whether an optional route was asked for at start."""
        return path != MONITORING or self.terms.openmetrics

    def signed_in(self, headers: Headers) -> Session | None:
        """Return the session of a browser."""
        return self.sessions.of(_cookie(headers, self.cookie))

    def _person(self, headers: Headers, caller: Caller) -> Person | None:
        if not self.on:
            return Person("local", Role.OPERATOR, NOBODY, caller.source)
        given = headers.get("authorization", "")
        if given:
            return self._program(given, caller)
        session = self.signed_in(headers)
        return session.person() if session is not None else None

    def _program(self, given: str, caller: Caller) -> Person | None:
        kind, _, secret = given.partition(" ")
        key = self._book.key(digest(secret.strip())) if kind.lower() == "bearer" else None
        return Person(f"{KEY_PREFIX}{key.name}", key.role, key.hash, caller.source) if key is not None else None

    def _ended(self, session: Session, why: str) -> None:
        fields = {"name": session.name, "role": session.role, "source": session.source, "session": session.id[:16]}
        self.log.note("session ended", **fields, why=why)
        self.on_ended(session, why)

    def refused(self, scope: Scope, headers: Headers, problem: Problem, person: Person | None) -> None:
        """Record a refusal."""
        peer = str((scope.get("client") or ("unknown",))[0])
        who = {"name": person.name, "role": person.role.value} if person is not None and person.name else {}
        self.log.refused(
            status=problem.status,
            method=scope.get("method", "socket"),
            path=scope["path"],
            source=person.source if person is not None else peer,
            forwarded=headers.get("x-forwarded-for", ""),
            origin=headers.get("origin", ""),
            why=problem.detail,
            **who,
        )


def person_of(scope: Mapping[str, Any]) -> Person:
    """Return who asks, as the guard vouched for them."""
    person = scope[SCOPE_KEY]
    if not isinstance(person, Person):
        raise TypeError(f"the guard left {type(person).__name__} where a person belongs")
    return person


def allowed(person: Person) -> list[str]:
    """Return the acts of a person's role, for pages to show what can be done."""
    return [act.value for act in Act if person.may(act)]


def _cookie(headers: Headers, name: str) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return found.value if found is not None else ""
