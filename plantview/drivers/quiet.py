"""Quiet on a line whose answers carry no number: what comes late must not answer the next question."""

from __future__ import annotations

import asyncio
from typing import Final

LINGER_S: Final = 0.05
"""Quiet after the late octets themselves: a serial frame may arrive in several pieces."""
USUAL_SHARE: Final = 0.2
"""Weight of the newest answer in the usual time of one."""
MARGIN: Final = 1.5
"""The next wait is so much longer than the latest answer that was ever seen."""


class QuietLine:
    """Knows when the last question was put, whether its answer is still owed, and how late answers come here."""

    def __init__(self) -> None:
        self._until_s = 0.0
        self._asked_s = 0.0
        self._owed = False
        self.latest_s = 0.0
        """Longest time from a question to an answer that came after its deadline."""
        self.late = 0
        """Answers that came when nobody waited."""
        self._usual_s = 0.0
        self._doubted = False
        """True from an unanswered question until an answer stood alone."""

    def asked(self) -> None:
        """Note that a question leaves."""
        self._asked_s = _now_s()
        self._owed = False

    def begin(self, within_s: float) -> None:
        """Begin the quiet after a question without a usable answer: as long again as was waited, or as is known."""
        self._owed = self._doubted = True
        self._until_s = _now_s() + max(within_s, self.latest_s * MARGIN)

    def heard(self, *, waited_for: bool) -> None:
        """Note octets; those that nobody waits for are a late answer, and end the wait for it."""
        now_s = _now_s()
        if waited_for:
            self._usual_s += USUAL_SHARE * (now_s - self._asked_s - self._usual_s)
            return
        self.late += 1
        self.latest_s = max(self.latest_s, now_s - self._asked_s)
        # Where nothing was owed, answers are one behind their questions: as if the last one were still to come.
        self._until_s = now_s + (LINGER_S if self._owed else max(LINGER_S, self.latest_s * MARGIN))

    async def stood_alone(self) -> bool:
        """Return whether the answer just taken is the only one: the first after a silence may be of the question before.

        Its own would follow at once; so the first one is believed only after a pause.
        """
        if not self._doubted:
            return True
        before = self.late
        await asyncio.sleep(max(LINGER_S, self._usual_s * 2))
        self._doubted = self.late > before
        return not self._doubted

    async def over(self) -> None:
        """Wait until the line was quiet long enough."""
        while (left_s := self._until_s - _now_s()) > 0:  # noqa: ASYNC110 - quiet is time itself, and late octets move it
            await asyncio.sleep(min(left_s, LINGER_S))


def _now_s() -> float:
    return asyncio.get_running_loop().time()
