"""What pages may ask and do about alarms: acts of people, one record, the journal, the figures."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import replace
from typing import Any, Final

from plantview.alarms import AlarmEngine, Refusal, Search
from plantview.alarms.advice import advice
from plantview.alarms.figures import DAY_MS, figures
from plantview.channel.messages import AskRefused
from plantview.clock import Clock
from plantview.model.person import Person, Role
from plantview.notifying import Notifying
from plantview.service.acts_record import ActsRecord

JOURNAL_ROWS_MAX: Final = 500
AT_ONCE_MAX: Final = 500
"""Alarms that one act may be about."""
FIGURES_DAYS_MAX: Final = 90
HISTORY_ROWS: Final = 50

Body = dict[str, Any]
Act = Callable[[AlarmEngine, str, str, Body], Refusal | None]

ACTS: Final[Mapping[str, Act]] = {
    "acknowledge": lambda engine, about, person, body: engine.acknowledge(about, person, _text(body)),
    "comment": lambda engine, about, person, body: engine.comment(about, person, _text(body)),
    "shelve": lambda engine, about, person, body: engine.shelve(about, person, _text(body), _seconds(body)),
    "unshelve": lambda engine, about, person, _: engine.unshelve(about, person),
    "reset": lambda engine, about, person, _: engine.reset(about, person),
    "out_of_service": lambda engine, about, person, body: engine.out_of_service(about, person, _text(body)),
    "in_service": lambda engine, about, person, _: engine.in_service(about, person),
    "reset_first_out": lambda engine, about, person, _: engine.reset_first_out(about, person),
}
"""Act -> (engine, alarm or first-out group, person, body) -> refusal or None."""


class AlarmAsks:
    """Answers of the field process about its alarms."""

    def __init__(
        self, engine: AlarmEngine, notifying: Notifying, clock: Clock, record: ActsRecord | None = None
    ) -> None:
        self._engine, self._notifying, self._clock, self._record = engine, notifying, clock, record

    def answers(self) -> dict[str, Callable[[Body], Awaitable[Body]]]:
        """Return the questions with their answers."""
        return {
            "alarms": self.alarms,
            "journal": self.journal,
            "acknowledge": self.acknowledge,
            "alarm_act": self.act,
            "alarm_record": self.record,
            "alarm_figures": self.figures,
            "notices": self.notices,
            "notice_test": self.notice_test,
        }

    async def alarms(self, _body: Body) -> Body:
        """Return the list."""
        return self._engine.snapshot()

    async def acknowledge(self, body: Body) -> Body:
        """Acknowledge one alarm and return the list."""
        refusal = self._engine.acknowledge(str(body["alarm"]), str(body["person"]), str(body.get("comment", "")))
        self._tell("acknowledge", str(body["alarm"]), body, refusal)
        if refusal is not None:
            raise AskRefused(refusal.error, refusal.code)
        return self._engine.snapshot()

    async def act(self, body: Body) -> Body:
        """Do one act to each of ``about``; refused only if all are: ``done`` and ``refused`` say what happened to each."""
        act, about = ACTS.get(str(body["act"])), [str(name) for name in body["about"]]
        if act is None:
            raise AskRefused(f"'{str(body['act'])[:40]}' is nothing that can be done to an alarm", "unknown_act")
        if not 0 < len(about) <= AT_ONCE_MAX:
            raise AskRefused(f"name 1 to {AT_ONCE_MAX} alarms", "about")
        refused: dict[str, Refusal] = {}
        for name in about:
            refusal = act(self._engine, name, str(body["person"]), body)
            self._tell(str(body["act"]), name, body, refusal)
            if refusal is not None:
                refused[name] = refusal
        if len(refused) == len(about):
            first = refused[about[0]]
            raise AskRefused(first.error, first.code)
        errors = {name: refusal.error for name, refusal in refused.items()}
        return {"done": [name for name in about if name not in refused], "refused": errors}

    def _tell(self, act: str, about: str, body: Body, refusal: Refusal | None) -> None:
        """Have an act on an alarm in the audit, beside the journal; done or refused."""
        if self._record is None:
            return
        person = _person(body)
        if refusal is not None:
            self._record.refused(f"alarm {act}", person, refusal.code, refusal.error, point=about)
            return
        text = str(body.get("text", body.get("comment", "")))
        self._record.tell(f"alarm {act}", person, point=about, reason=text, expiry=body.get("seconds"))

    async def record(self, body: Body) -> Body:
        """Return one alarm with its rule, its first-out group and its own history."""
        name = str(body["alarm"])
        record = self._engine.record(name)
        if record is None:
            raise AskRefused(f"there is no alarm '{name[:80]}' in this plant", "unknown_alarm")
        rows = self._engine.journal(HISTORY_ROWS, None, Search(alarm=name))
        return {"alarm": record, "history": rows, "now_ms": self._clock.now_ms()}

    async def journal(self, body: Body) -> Body:
        """Return lines of the journal, newest first; ``before`` pages on."""
        search = Search(
            text=str(body.get("text", "")),
            alarm=str(body.get("alarm", "")),
            equipment=str(body.get("equipment", "")),
            from_ms=int(body.get("from_ms", 0)),
            to_ms=int(body.get("to_ms", 0)),
            annunciated=bool(body.get("annunciated", False)),
            by_design=bool(body.get("by_design", False)),
        )
        limit = min(int(body.get("limit", 100)), JOURNAL_ROWS_MAX)
        return {"rows": self._engine.journal(limit, body.get("before"), search)}

    async def notices(self, _body: Body) -> Body:
        """Return who is told by message, and how that went."""
        return self._notifying.status()

    async def notice_test(self, body: Body) -> Body:
        """Queue a test message; how it went is in the next ``notices``."""
        name = str(body["receiver"])
        if not self._notifying.test(name):
            raise AskRefused(f"nobody called '{name[:80]}' is told by message", "unknown_receiver")
        return self._notifying.status()

    def last(self, span_ms: int) -> Body:
        """Return the figures of the last ``span_ms`` at once, for the daily summary."""
        to_ms = self._clock.now_ms()
        lines, from_ms = self._engine.lines(to_ms - span_ms, to_ms)
        found = figures(lines, min(from_ms, to_ms - 1), to_ms)
        return {**found, "rows": advice(found)}

    async def figures(self, body: Body) -> Body:
        """Return the figures of the last ``days``, as far as the journal reaches, with what to do about them."""
        days = min(max(float(body.get("days", 1.0)), 0.01), FIGURES_DAYS_MAX)
        to_ms = self._clock.now_ms()
        lines, from_ms = self._engine.lines(to_ms - round(days * DAY_MS), to_ms)
        found = await asyncio.to_thread(figures, lines, min(from_ms, to_ms - 1), to_ms)
        return {**found, "asked_days": days, "rows": advice(found)}


def _person(body: Body) -> Person:
    """Return who acts, as the web process vouches for them; only a name where it does not."""
    try:
        return replace(Person.from_row(body["who"]), name=str(body["person"]))
    except (KeyError, TypeError, ValueError):
        return Person(str(body["person"]), Role.VIEWER, "", "")


def _text(body: Body) -> str:
    return str(body.get("text", ""))


def _seconds(body: Body) -> float | None:
    return None if body.get("seconds") is None else float(body["seconds"])
