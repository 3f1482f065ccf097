"""Who is told, of what, when and how: ``notifications.toml`` in the data folder.

    page = "http://192.168.1.20:8050"     # where links in messages begin
    digest = "07:00"                      # the day before, to receivers with digest = true

    [email]
    server = "mail.example.org"
    port = 587
    security = "starttls"                 # starttls, tls or none
    sender = "plant@example.org"
    user = "plant"                        # password here, or in the environment: PLANTVIEW_EMAIL_PASSWORD
    password = "..."

    [[receivers]]
    name = "On call"
    email = "oncall@example.org"          # or: webhook = "https://example.org/hook"
                                          # or: service = "...", an address of the library apprise (extra: notices)
    priorities = [1, 2]
    classes = ["trip", "protection"]      # leave out for all
    days = "Mon-Fri"                      # leave out for every day
    hours = "17:00-07:00"                 # local time of the plant; leave out for the whole day
    unacknowledged_min = 15               # only what nobody has acknowledged for so long
    digest = true

It holds credentials, so nobody but its owner may read it (mode 0600). It is no part of the plant
description, which people copy and send around.
"""

from __future__ import annotations

import os
import re
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from plantview.errors import Problem
from plantview.notifying import further

FILE: Final = "notifications.toml"
PASSWORD: Final = "PLANTVIEW_EMAIL_PASSWORD"  # noqa: S105 - the name of the variable
RECEIVERS_MAX: Final = 50
BYTES_MAX: Final = 100_000
DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
SECURITY: Final = ("starttls", "tls", "none")
PRIORITIES: Final = (1, 2, 3, 4)
UNACKNOWLEDGED_MIN_MAX: Final = 7 * 24 * 60
_TOP_KEYS: Final = frozenset({"page", "digest", "email", "receivers"})
_EMAIL_KEYS: Final = frozenset({"server", "port", "security", "sender", "user", "password"})
_RECEIVER_KEYS: Final = frozenset(
    {"name", "email", "webhook", "service", "priorities", "classes", "days", "hours", "unacknowledged_min", "digest"}
)
_ADDRESS: Final = re.compile(r"[^@\s<>,;]+@[^@\s<>,;]+")


@dataclass(frozen=True, slots=True)
class EmailServer:
    """How e-mail leaves."""

    server: str
    port: int
    security: str
    sender: str
    user: str
    password: str


@dataclass(frozen=True, slots=True)
class Receiver:
    """One person, group or web address that is told."""

    name: str
    email: str
    webhook: str
    priorities: frozenset[int]
    classes: frozenset[str]
    """Empty: all."""
    days: frozenset[int]
    """0 Monday to 6 Sunday."""
    hours: tuple[time, time] | None
    unacknowledged_s: float
    digest: bool
    service: str = ""
    """Instead of both: an address that the library apprise knows."""

    def wants(self, priority: int, class_name: str) -> bool:
        """Return whether such an alarm is for this receiver."""
        return priority in self.priorities and (not self.classes or class_name in self.classes)

    def on_duty(self, local: datetime) -> bool:
        """Return whether it is told at this local time; a span over midnight belongs to the day on which it begins."""
        if self.hours is None:
            return local.weekday() in self.days
        begin, end = self.hours
        now = local.time()
        if begin < end:
            return begin <= now < end and local.weekday() in self.days
        if now >= begin:
            return local.weekday() in self.days
        return now < end and (local.weekday() - 1) % 7 in self.days


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that ``notifications.toml`` says."""

    page: str = ""
    digest: time | None = None
    email: EmailServer | None = None
    receivers: tuple[Receiver, ...] = ()


def load_settings(folder: Path, environment: Mapping[str, str] | None = None) -> tuple[Settings, list[Problem]]:
    """Return the settings of a data folder and all problems; with a problem, or without the file, nobody is told."""
    path = folder / FILE
    if not path.exists():
        return Settings(), []
    problems: list[Problem] = []
    cells = _read(path, problems)
    settings = _settings(_Cells("", cells, problems), os.environ if environment is None else environment)
    return (Settings() if problems else settings), problems


def _read(path: Path, problems: list[Problem]) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            raw = file.read(BYTES_MAX + 1)
        if mode & 0o077:
            wrong = f"others may read it (mode {mode:04o}) and it may hold a password"
            problems.append(Problem(FILE, 0, "", wrong, f"chmod 600 {path}"))
        if len(raw) > BYTES_MAX:
            problems.append(Problem(FILE, 0, "", f"longer than {BYTES_MAX} bytes", "shorten it"))
            return {}
        return tomllib.loads(raw.decode())
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        problems.append(Problem(FILE, 0, "", f"cannot be read: {error}", "correct it"))
        return {}


@dataclass(frozen=True, slots=True)
class _Cells:
    """One table of the file; what is wrong with it goes to ``problems``."""

    place: str
    cells: Mapping[str, Any]
    problems: list[Problem]

    def wrong(self, key: str, wrong: str, remedy: str) -> None:
        self.problems.append(Problem(FILE, 0, f"{self.place}{key}", wrong, remedy))

    def known(self, keys: frozenset[str]) -> None:
        for key in self.cells:
            if key not in keys:
                self.wrong(key, "unknown key", f"known: {', '.join(sorted(keys))}")

    def text(self, key: str, default: str = "") -> str:
        found = self.cells.get(key, default)
        if isinstance(found, str) and found.isprintable() and len(found) <= 500:
            return found
        self.wrong(key, "must be a text on one line", "write it in quotation marks")
        return default

    def whole(self, key: str, default: int, low: int, high: int) -> int:
        found = self.cells.get(key, default)
        if isinstance(found, int) and not isinstance(found, bool) and low <= found <= high:
            return found
        self.wrong(key, f"'{found}' is no whole number from {low} to {high}", f"write {key} = {default}")
        return default

    def clock(self, key: str) -> time | None:
        text = self.text(key)
        return _time(text, key, self) if text else None


def _time(text: str, key: str, cells: _Cells) -> time | None:
    try:
        return datetime.strptime(text.strip(), "%H:%M").time()  # noqa: DTZ007 - a time of day, local to the plant
    except ValueError:
        cells.wrong(key, f"'{text}' is no time of day", 'write it like "07:00"')
        return None


def _settings(top: _Cells, environment: Mapping[str, str]) -> Settings:
    top.known(_TOP_KEYS)
    page = top.text("page").rstrip("/")
    if page and not _is_web_address(page):
        top.wrong("page", f"'{page}' is no web address", 'write it like "http://192.168.1.20:8050"')
    rows = top.cells.get("receivers", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows) or len(rows) > RECEIVERS_MAX:
        top.wrong("receivers", f"must be at most {RECEIVERS_MAX} tables", "begin each one with [[receivers]]")
        rows = []
    email = _email(top, environment)
    receivers = tuple(
        _receiver(_Cells(f"receivers[{number}].", row, top.problems), email) for number, row in enumerate(rows)
    )
    for name in {one.name for one in receivers if sum(other.name == one.name for other in receivers) > 1}:
        top.wrong("receivers", f"two receivers are called '{name}'", "give each one a name of its own")
    return Settings(page, top.clock("digest"), email, receivers)


def _email(top: _Cells, environment: Mapping[str, str]) -> EmailServer | None:
    found = top.cells.get("email")
    if found is None:
        return None
    cells = _Cells("email.", found if isinstance(found, dict) else {}, top.problems)
    cells.known(_EMAIL_KEYS)
    security, server, sender = cells.text("security", "starttls"), cells.text("server"), cells.text("sender")
    if security not in SECURITY:
        cells.wrong("security", f"'{security}' is not known", f"one of {', '.join(SECURITY)}")
    if not server:
        cells.wrong("server", "missing", 'add server = "mail.example.org"')
    if not _ADDRESS.fullmatch(sender):
        cells.wrong("sender", f"'{sender}' is no e-mail address", 'write it like "plant@example.org"')
    user, password = cells.text("user"), environment.get(PASSWORD) or cells.text("password")
    if user and security == "none":
        cells.wrong("security", "the password would travel readable for everybody", "use starttls or tls, or no user")
    port = cells.whole("port", {"tls": 465, "none": 25}.get(security, 587), 1, 65_535)
    return EmailServer(server, port, security, sender, user, password)


def _receiver(cells: _Cells, email: EmailServer | None) -> Receiver:
    cells.known(_RECEIVER_KEYS)
    name, address, webhook = cells.text("name"), cells.text("email"), cells.text("webhook")
    if not name:
        cells.wrong("name", "missing", 'add name = "On call"')
    service = cells.text("service")
    if sum(map(bool, (address, webhook, service))) != 1:
        cells.wrong("email", "needs one of email, webhook and service", 'add email = "oncall@example.org"')
    if service:
        _check_service(cells, service)
    if address and not _ADDRESS.fullmatch(address):
        cells.wrong("email", f"'{address}' is no e-mail address", 'write it like "oncall@example.org"')
    if address and email is None:
        cells.wrong(
            "email", "there is no [email] table that says how e-mail leaves", "add [email] with server and sender"
        )
    if webhook and not _is_web_address(webhook):
        cells.wrong("webhook", "no web address", 'write it like "https://example.org/hook"')
    digest = cells.cells.get("digest", False)
    if not isinstance(digest, bool):
        cells.wrong("digest", f"'{digest}' is neither true nor false", "write digest = true")
    minutes = cells.whole("unacknowledged_min", 0, 0, UNACKNOWLEDGED_MIN_MAX)
    return Receiver(
        name, address, webhook, _priorities(cells), _classes(cells), _days(cells), _hours(cells),
        minutes * 60.0, digest is True, service,
    )  # fmt: skip


def _check_service(cells: _Cells, address: str) -> None:
    try:
        known = further.is_known(address)
    except further.NotInstalled:
        cells.wrong("service", further.MISSING, further.REMEDY)
        return
    if not known:
        cells.wrong("service", "is no address that apprise knows", "write it as the documentation of apprise says")


def _priorities(cells: _Cells) -> frozenset[int]:
    found = cells.cells.get("priorities", [1, 2])
    if isinstance(found, list) and found and all(type(item) is int and item in PRIORITIES for item in found):
        return frozenset(found)
    cells.wrong("priorities", f"'{found}' are no priorities", "write priorities = [1, 2]")
    return frozenset()


def _classes(cells: _Cells) -> frozenset[str]:
    found = cells.cells.get("classes", [])
    if isinstance(found, list) and all(isinstance(item, str) for item in found):
        return frozenset(found)
    cells.wrong("classes", "must be a list of classes", 'write classes = ["trip", "protection"]')
    return frozenset()


def _days(cells: _Cells) -> frozenset[int]:
    text = cells.text("days") or "Mon-Sun"
    found: set[int] = set()
    for part in text.lower().split(","):
        first, _, last = part.strip().partition("-")
        if first not in DAYS or (last or first) not in DAYS:
            cells.wrong("days", f"'{text}' are no days", 'write them like "Mon-Fri" or "Sat,Sun"')
            return frozenset()
        begin, end = DAYS.index(first), DAYS.index(last or first)
        found |= {day % 7 for day in range(begin, (end if end >= begin else end + 7) + 1)}
    return frozenset(found)


def _hours(cells: _Cells) -> tuple[time, time] | None:
    text = cells.text("hours")
    if not text:
        return None
    begin, _, end = text.partition("-")
    both = (_time(begin, "hours", cells), _time(end, "hours", cells))
    if both[0] is not None and both[0] == both[1]:
        cells.wrong("hours", "begin and end are the same", "leave it out for the whole day")
    return None if both[0] is None or both[1] is None else (both[0], both[1])


def _is_web_address(text: str) -> bool:
    try:
        found = urlsplit(text)
        return found.scheme in {"http", "https"} and bool(found.hostname) and found.port != 0
    except ValueError:
        return False
