"""How often a sign-in may be tried: after five failures a wait that doubles, per source address and per account."""

from __future__ import annotations

import hashlib
import ipaddress
import secrets
from dataclasses import dataclass
from typing import Final

from plantview.clock import Clock

FREE: Final = 5
FIRST_WAIT_S: Final = 15.0
WAIT_S_MAX: Final = 900.0
FORGET_S: Final = 3_600.0
"""So long after the last failure counting begins anew."""
BUCKETS: Final = 4_096
"""Fixed memory: nobody can push out another's count by inventing names; two share a bucket by chance, rarely."""


@dataclass
class _Count:
    failures: int = 0
    last_s: float = 0.0


class Attempts:
    """Counts failures by hashed source and hashed name, whether that account exists or not."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._salt = secrets.token_bytes(16)
        self._counts: dict[int, _Count] = {}

    def wait_s(self, source: str, name: str) -> float:
        """Return how long this source or account has to wait, 0 if it need not."""
        now = self._clock.monotonic_s()
        return max(self._wait_of(self._counts.get(bucket), now) for bucket in self._buckets(source, name))

    def failed(self, source: str, name: str) -> None:
        """Count one failure; before a password is looked at, so that many tries at one moment count one by one."""
        now = self._clock.monotonic_s()
        for bucket in self._buckets(source, name):
            count = self._counts.setdefault(bucket, _Count())
            count.failures = 1 if now - count.last_s > FORGET_S else count.failures + 1
            count.last_s = now

    def succeeded(self, source: str, name: str) -> None:
        """Take back the failure that was counted beforehand, and forget the account's others.

        The source keeps its own, or one account would free it to try others.
        """
        of_source, of_account = self._buckets(source, name)
        self._counts.pop(of_account, None)
        if count := self._counts.get(of_source):
            count.failures -= 1

    def _wait_of(self, count: _Count | None, now: float) -> float:
        if count is None or count.failures < FREE:
            return 0.0
        wait = min(WAIT_S_MAX, FIRST_WAIT_S * 2.0 ** min(count.failures - FREE, 16))
        return max(0.0, count.last_s + wait - now)

    def _buckets(self, source: str, name: str) -> tuple[int, int]:
        return self._bucket("source", _network(source)), self._bucket("account", name.casefold())

    def _bucket(self, kind: str, text: str) -> int:
        raw = hashlib.blake2b(f"{kind}\0{text}".encode(), key=self._salt, digest_size=4).digest()
        return int.from_bytes(raw, "big") % BUCKETS + (BUCKETS if kind == "account" else 0)


def _network(source: str) -> str:
    """One IPv6 customer has a /64 of addresses: they count as one source."""
    try:
        address = ipaddress.ip_address(source)
    except ValueError:
        return source
    return str(ipaddress.ip_network((address, 64), strict=False)) if address.version == 6 else source
