"""Commands in the field process: the only place that loads what can write, and only where writing is enabled."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from plantview.channel.messages import AskRefused
from plantview.clock import Clock
from plantview.errors import AuditUnwritable, CommandRefused, StartRefused
from plantview.model.permit import Writes
from plantview.model.person import Person
from plantview.model.plant import Plant
from plantview.model.reading import Batch, Frame, good
from plantview.model.signal import Signal
from plantview.polling.held import Held, looking
from plantview.service.acts_record import ActsRecord
from plantview.service.command_alarms import TROUBLE, override_name

if TYPE_CHECKING:
    from plantview.commands import Desk

Body = dict[str, Any]
log = logging.getLogger("plantview.service")
AGAIN_REAL_S: Final = 5.0
"""After a failure commands are taken up again so much later."""
DISABLED: Final = "writing is not enabled at this plant"
STARTING: Final = "commands are not ready yet: overrides of before the start are being taken up"


class CommandAsks:
    """What pages may ask and do about commands; with the defaults everything is refused, and nothing loaded."""

    def __init__(
        self, plant: Plant, data: Path, clock: Clock, signals: Mapping[str, Signal],
        frame: Callable[[], Frame], take: Callable[[Batch], None], record: ActsRecord | None = None,
    ) -> None:  # fmt: skip
        self._plant, self._data, self._clock = plant, data, clock
        self._signals, self._frame, self._take = signals, frame, take
        self._record = record or ActsRecord(plant, data, clock)
        self._desk: Desk | None = None
        self._trouble = STARTING
        self._held = Held(plant, clock, lambda: looking(plant))
        """Looks at priorities with nothing that could write."""

    def answers(self) -> dict[str, Callable[[Body], Awaitable[Body]]]:
        """Return the questions with their answers."""
        return {
            "command": self.command,
            "command_state": self.state,
            "overrides": self.overrides,
            "command_session_ended": self.session_ended,
        }

    async def run(self) -> None:
        """Look after overrides until cancelled, then end in order; does nothing where nothing may be written."""
        if not self._plant.writes.active:
            return
        while True:
            try:
                await self._attend()
            except (AuditUnwritable, StartRefused) as error:
                self._trouble = str(error)
            except Exception:  # border: monitoring goes on; overrides are on disk and taken up again
                log.exception("commands stopped by a failure that has no name yet")
                self._trouble = "commands have stopped; the log of the field process has the reason"
            self._take(Batch(self._clock.now_ms(), {TROUBLE: good(1.0, self._clock.now_ms())}))
            await asyncio.sleep(AGAIN_REAL_S)

    async def _attend(self) -> None:
        # here and nowhere else: with the defaults neither module is ever loaded
        from plantview.commands import Desk
        from plantview.commands.ledger import Ledger
        from plantview.commands.site import Site
        from plantview.commands.targets import targets

        async with targets(self._plant) as equipment:
            ledger = Ledger(self._data)
            site = Site(self._plant, self._clock, self._signals, self._frame, equipment, ledger, self._record.book())
            desk = Desk(site)
            try:
                while True:
                    await desk.tick()
                    self._desk, self._trouble = desk, ""
                    self._tell(desk)
                    await self._clock.sleep(max(1.0, 0.2 * self._clock.speed))
            except asyncio.CancelledError:
                self._desk = None
                await desk.stop()
                raise
            finally:
                self._desk = None

    async def command(self, body: Body) -> Body:
        """Do one act of a person: ``act``, ``person`` as the web process vouches for them, ``body``."""
        try:
            person = Person.from_row(body["person"])
        except (KeyError, TypeError, ValueError):
            raise AskRefused("whoever asks is not known", "person") from None
        act, content = str(body.get("act", "")), body.get("body")
        if not isinstance(content, dict):
            raise AskRefused("the order is empty", "content")
        if not self._plant.writes.active:
            self._record.refused(act, person, "writes_disabled", DISABLED, point=str(content.get("point", "")))
            raise AskRefused(DISABLED, "writes_disabled")
        if self._desk is None:
            raise AskRefused(self._trouble, "recovering")
        try:
            return await self._desk.act(act, person, content)
        except CommandRefused as refusal:
            raise AskRefused(str(refusal), refusal.rule) from refusal

    async def state(self, _body: Body) -> Body:
        """Return what is armed, overridden and under work notice."""
        if self._desk is None:
            return {
                "enabled": self._plant.writes.active, "practice": self._plant.writes.practice, "arms": [],
                "overrides": [], "notices": [], "trouble": self._trouble if self._plant.writes.active else "", "permits": [],
                "waiting": [],
                "now_ms": self._clock.now_ms(),
            }  # fmt: skip
        return {**self._desk.state(), "permits": _permit_rows(self._plant.writes, self._plant)}

    async def overrides(self, _body: Body) -> Body:
        """Return every priority that anybody holds, read afresh at most every half minute."""
        return await (self._held if self._desk is None else self._desk.held).rows()

    async def session_ended(self, body: Body) -> Body:
        """Drop what a session has armed: it ended, or its person has another role."""
        if self._desk is not None:
            self._desk.session_ended(str(body.get("session", "")), str(body.get("why", "the session ended"))[:100])
        return {}

    def _tell(self, desk: Desk) -> None:
        """Hand on how overrides stand, as readings that alarms watch."""
        at_ms = self._clock.now_ms()
        readings = {override_name(point): good(float(number), at_ms) for point, number in desk.numbers().items()}
        readings[TROUBLE] = good(1.0 if desk.state()["trouble"] else 0.0, at_ms)
        self._take(Batch(at_ms, readings))


def _permit_rows(writes: Writes, plant: Plant) -> list[Body]:
    rows = []
    for permit in writes.permits.values():
        point = plant.points[permit.point]
        rows.append(
            {
                "point": permit.point, "equipment": point.equipment, "label": point.label, "act": permit.act,
                "unit": point.unit.name, "unit_label": point.unit.label, "low": permit.low, "high": permit.high,
                "states": {str(number): word for number, word in point.states.items()},
                "lease_s": permit.lease_s, "critical": permit.critical, "hold_to_run": permit.hold_to_run,
            }
        )  # fmt: skip
    return rows
