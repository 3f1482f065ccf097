"""Passwords: which ones are taken, and how they are kept.

Length counts, composition does not (OWASP ASVS 5.0.0, 6.2.1, 6.2.4, 6.2.5, 6.2.9). The list of common
passwords is our own: words and keyboard runs that people reach for first, with whatever digits and
signs they put before or behind; so a short file stands for some hundred thousand variants.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from functools import cache, cached_property
from pathlib import Path
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

LENGTH_MIN: Final = 8
LENGTH_ADVISED: Final = 15
LENGTH_MAX: Final = 256
DIFFERENT_MIN: Final = 5
"""So many different characters at least, or it is one key held down."""
_SWAPS: Final = str.maketrans("@4310$57!", "aaeiossti")
_LIST: Final = Path(__file__).with_name("common_passwords.txt")


class Hashing:
    """argon2id with the library's parameters (RFC 9106, low-memory choice: 64 MiB, 3 passes, 4 lanes)."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()

    @cached_property
    def _nobody(self) -> str:
        return self._hasher.hash("nobody has this password")

    def hash(self, password: str) -> str:
        """Return the text that is kept; it holds its own salt and parameters."""
        return self._hasher.hash(_normal(password))

    def fits(self, kept: str | None, password: str) -> bool:
        """Whether a password is the one that is kept; without one it takes the same time and is False."""
        try:
            self._hasher.verify(kept or self._nobody, _normal(password))
        except (VerificationError, InvalidHashError):
            return False
        return kept is not None


def trouble(password: str, *about: str) -> str:
    """Return why a password is not taken, or nothing; ``about`` are words of its owner and plant."""
    if len(password) < LENGTH_MIN:
        return f"it has {len(password)} characters; take at least {LENGTH_MIN}, better {LENGTH_ADVISED} or more"
    if len(password) > LENGTH_MAX:
        return f"it is longer than {LENGTH_MAX} characters"
    if len(set(password)) < DIFFERENT_MIN:
        return "it repeats a few characters; take several words that do not belong together"
    if _stems(password) & (_common() | {_plain(word) for word in about if word}):
        return "it is one of the passwords that are tried first; take several words that do not belong together"
    return ""


def digest(secret: str) -> str:
    """Return the SHA-256 of a random secret, in hexadecimal; enough for 256 random bits, never for a password."""
    return hashlib.sha256(secret.encode()).hexdigest()


def _normal(password: str) -> str:
    """One form for what keyboards of different systems send (NFKC), so that a typed umlaut is an umlaut."""
    return unicodedata.normalize("NFKC", password)


def _plain(text: str) -> str:
    return "".join(letter for letter in text.casefold() if letter.isalnum())


def _stems(password: str) -> set[str]:
    """Return what a password is made of once digits and signs around it, and signs for letters, are taken away."""
    plain = _plain(password)
    words = {plain, _plain(password.casefold().translate(_SWAPS))}
    words |= {re.sub(r"^[\W\d_]+|[\W\d_]+$", "", form) for form in (password.casefold(), *words)}
    words |= {_plain(re.sub(r"^[\W\d_]+|[\W\d_]+$", "", password.casefold()).translate(_SWAPS))}
    halves = {word[: len(word) // 2] for word in words if word and word == 2 * word[: len(word) // 2]}
    return (words | halves) - {""}


@cache
def _common() -> frozenset[str]:
    lines = _LIST.read_text(encoding="utf-8").splitlines()
    return frozenset(word for line in lines if not line.startswith("#") for word in line.split())
