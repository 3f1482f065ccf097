"""The accounts of one plant: ``DATA/accounts.json``, for its owner's eyes only (mode 0600), replaced whole at a change."""

from __future__ import annotations

import fcntl
import json
import os
import re
import stat
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Final

from plantview.errors import StartRefused
from plantview.model.person import MAY, Act, Role

FILE: Final = "accounts.json"
MODE: Final = 0o600
NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
ACCOUNTS_MAX: Final = 200
KEYS_MAX: Final = 50
BYTES_MAX: Final = 1_000_000
KEY_ROLES: Final = tuple(role for role in Role if not {act for act in Act if role in MAY[act]} - {Act.SEE, Act.ALARMS})
"""A program never commands, configures or keeps accounts."""


@dataclass(frozen=True, slots=True)
class Account:
    """One person: what they are, and the hash of their password."""

    name: str
    role: Role
    hash: str
    since_ms: int


@dataclass(frozen=True, slots=True)
class Key:
    """One program: what it may, and the SHA-256 of its key."""

    name: str
    role: Role
    hash: str
    since_ms: int


@dataclass(frozen=True, slots=True)
class Book:
    """Everybody who is known; names as people wrote them, found without regard to case."""

    accounts: Mapping[str, Account] = field(default_factory=dict)
    keys: Mapping[str, Key] = field(default_factory=dict)

    def account(self, name: str) -> Account | None:
        """Return an account by name."""
        return self.accounts.get(name.casefold())

    def key(self, digest: str) -> Key | None:
        """Return a key by the SHA-256 of its secret."""
        return next((key for key in self.keys.values() if key.hash == digest), None)

    def with_account(self, account: Account) -> Book:
        """Return the book with an account added or replaced."""
        return replace(self, accounts={**self.accounts, account.name.casefold(): account})

    def with_key(self, key: Key) -> Book:
        """Return the book with a key added or replaced."""
        return replace(self, keys={**self.keys, key.name.casefold(): key})

    def without_account(self, name: str) -> Book:
        """Return the book without an account."""
        return replace(self, accounts={key: row for key, row in self.accounts.items() if key != name.casefold()})

    def without_key(self, name: str) -> Book:
        """Return the book without a key."""
        return replace(self, keys={key: row for key, row in self.keys.items() if key != name.casefold()})


class AccountsFile:
    """The file in a data folder; StartRefused says why it cannot be read or written."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE

    def exists(self) -> bool:
        """Whether accounts were ever made here."""
        return self.path.exists()

    def stamp(self) -> tuple[int, ...]:
        """Return what changes whenever the file does; empty without one."""
        try:
            state = self.path.stat()
        except FileNotFoundError:
            return ()
        return state.st_mtime_ns, state.st_size, state.st_ino

    def read(self) -> Book:
        """Return everybody who is known; nobody without a file."""
        try:
            with self.path.open("rb") as opened:
                mode = stat.S_IMODE(os.fstat(opened.fileno()).st_mode)
                raw = opened.read(BYTES_MAX)
        except FileNotFoundError:
            return Book()
        except OSError as error:
            raise StartRefused(f"{self.path} cannot be read: {error.strerror}") from None
        if mode & 0o077:
            raise StartRefused(f"{self.path} is open to others (mode {mode:o}); run: chmod 600 {self.path}")
        return _book(self.path, raw)

    def change(self, act: Callable[[Book], Book]) -> Book:
        """Read, change and replace the file while nobody else does; return the new book."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with self.path.with_suffix(".lock").open("a") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX)
                book = act(self.read())
                self._write(book)
        except OSError as error:
            raise StartRefused(f"{self.path} cannot be written: {error.strerror}") from None
        return book

    def _write(self, book: Book) -> None:
        body = {
            "accounts": [asdict(account) for account in book.accounts.values()],
            "keys": [asdict(key) for key in book.keys.values()],
        }
        draft = self.path.with_suffix(".new")
        draft.unlink(missing_ok=True)
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, MODE), "w", encoding="utf-8") as out:
            json.dump(body, out, indent=1)
            out.flush()
            os.fsync(out.fileno())
        draft.replace(self.path)


def name_trouble(name: str) -> str:
    """Return why a name is not taken, or nothing."""
    return "" if NAME.fullmatch(name) else f"'{name[:60]}' is no name; use 1 to 40 letters, digits, dots and dashes"


def _book(path: Path, raw: bytes) -> Book:
    try:
        body = json.loads(raw)
        accounts = [Account(row["name"], Role(row["role"]), row["hash"], row["since_ms"]) for row in body["accounts"]]
        keys = [Key(row["name"], Role(row["role"]), row["hash"], row["since_ms"]) for row in body["keys"]]
    except (ValueError, KeyError, TypeError) as error:
        raise StartRefused(
            f"{path} is damaged ({error}); put back a copy, or move it away and make the accounts anew"
        ) from None
    return Book({row.name.casefold(): row for row in accounts}, {row.name.casefold(): row for row in keys})
