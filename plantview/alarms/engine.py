"""The alarm engine: rules against frames, what people do, and the list that everybody sees.

Follows the state model of ISA-18.2. It belongs to one thread; nothing in it waits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from plantview.alarms import journal, own
from plantview.alarms.acts import Acts, Refusal, against_person
from plantview.alarms.changes import Changes
from plantview.alarms.delay import Edge
from plantview.alarms.figures import Line
from plantview.alarms.firstout import Episode, Place, Seen
from plantview.alarms.journal import Entry, Search
from plantview.alarms.life import Kept, Life, begin
from plantview.alarms.own_lives import OwnLives
from plantview.alarms.quiet import Quiet
from plantview.alarms.rules import Rule
from plantview.alarms.scan import is_over, scan_alarm, stands
from plantview.alarms.snapshot import rule_record, snapshot
from plantview.alarms.store import AlarmStore
from plantview.alarms.table import Event, State
from plantview.alarms.watch import DeviceOwn, Scan
from plantview.clock import Clock
from plantview.model.device_event import DeviceEvent
from plantview.model.reading import Frame

CLOCK_STEP_S: Final = 2.0
STAMP_PERIOD_MS: Final = 1_000
"""Of a device's time beside a poll: its clock was read to about a second."""
NO_SEARCH: Final = Search()


class AlarmEngine(Acts):
    """All alarms of one plant."""

    def __init__(self, rules: Sequence[Rule], clock: Clock, store: AlarmStore) -> None:
        """Begin where ``store`` left off; a rule that is gone is closed in the journal."""
        self._clock, self._store = clock, store
        self._changes = Changes(clock, store)
        kept, seen = store.load()
        fixed = [rule for rule in rules if not isinstance(rule.watch, DeviceOwn)]
        self._own = OwnLives(rules)
        self._lives = {rule.id: begin(rule, kept.pop(rule.id, Kept())) for rule in fixed}
        self._lives |= {life.rule.id: life for life in self._own.taken_up(kept)}
        self._episodes = {name: Episode(seen.get(name, ())) for name in {rule.first_out for rule in rules} - {""}}
        self._lay_out()
        self._started_s = clock.monotonic_s()
        self._offset_s = self._wall_offset_s()
        super().__init__(self._lives, self._changes)
        self._take_up()
        self._close(kept)
        self._changes.commit()

    def evaluate(
        self,
        frame: Frame,
        silent_devices: Mapping[str, str],
        stamps: Mapping[str, int] | None = None,
        events: Mapping[str, tuple[DeviceEvent, ...]] | None = None,
    ) -> tuple[Entry, ...]:
        """Judge every alarm and return the new journal lines.

        Parameters
            frame            all current readings
            silent_devices   device id -> why it does not answer
            stamps           alarm id -> the device's own time of the event, UTC ms, corrected for its clock
            events           device id -> what it considers to be in alarm; without a device that was not heard yet
        """
        self._watch_clock()
        now_s = self._clock.monotonic_s()
        scan = Scan(frame, silent_devices, now_s, now_s - self._started_s, events or {})
        self._take_events(scan)
        awake = self._quiet.awake(frame, silent_devices, self._changes.moved())
        families = {life.rule.first_out for life in awake} - {""}
        over = {family for family in families if all(is_over(life) for life in self._groups[family])}
        risen: dict[str, list[Seen]] = {}
        for life in awake:
            edge = scan_alarm(life, self._speaker(life), scan, self._changes)
            if edge is Edge.RAISE and life.rule.first_out:
                stamp_ms = (stamps or {}).get(life.rule.id)
                risen.setdefault(life.rule.first_out, []).append(self._seen(life, scan, stamp_ms))
        for family, seen in risen.items():
            self._set_episode(family, (Episode() if family in over else self._episodes[family]).with_more(seen))
        self._quiet.settle(awake)
        return self._changes.commit()

    def reset_first_out(self, family: str, person: str) -> Refusal | None:
        """Forget who came first in a group; refused while a member is active."""
        refusal = against_person(person)
        if family not in self._groups:
            refusal = Refusal("unknown_group", "there is no such first-out group")
        elif any(life.delay.active for life in self._groups[family]):
            refusal = Refusal("not_possible", f"a member of {family} is still active")
        if refusal is not None:
            return self.refuse("reset first-out", family, person, refusal)
        self._set_episode(family, Episode())
        self._changes.say_plainly(journal.RESET, family, f"first-out of {family} reset", person)
        self._changes.commit()
        return None

    def first_out(self, family: str) -> dict[str, Place]:
        """Return the rank of each alarm of a group that took part in its last episode."""
        return self._episodes[family].places()

    def tripped(self) -> frozenset[str]:
        """Return the equipment that reports a trip, whatever people have done with the alarm."""
        return frozenset(
            life.rule.equipment
            for life in self._lives.values()
            if life.rule.class_name == "trip" and life.rule.type == "STATE" and life.delay.active
        )

    def record(self, alarm_id: str) -> dict[str, Any] | None:
        """Return one alarm with its rule, and who came first in its group; None if there is none."""
        life = self._lives.get(alarm_id)
        if life is None:
            return None
        places = self._episodes[life.rule.first_out].places() if life.rule.first_out else {}
        group = [{"alarm": name, "rank": place.rank, "tied": place.tied} for name, place in places.items()]
        record = rule_record(life, places, self._clock)
        return {**record, "first_out_order": sorted(group, key=lambda row: (row["rank"], row["alarm"]))}

    @property
    def seq(self) -> int:
        """Return the number of the present list: it grows whenever the list reads differently."""
        return self._changes.seq

    def snapshot(self) -> dict[str, Any]:
        """Return the alarm list, ready for JSON."""
        places = {name: place for episode in self._episodes.values() for name, place in episode.places().items()}
        return snapshot(self._lives.values(), places, self._clock, self._changes.seq, self.health())

    def journal(self, limit: int = 100, before: int | None = None, search: Search = NO_SEARCH) -> list[dict[str, Any]]:
        """Return the newest journal lines that a search wants, or those before line ``before``."""
        return self._store.journal(limit, before, search)

    def lines(self, from_ms: int, to_ms: int) -> tuple[list[Line], int]:
        """Return the journal lines of a period for its figures, and when the period really begins: with the journal."""
        first_ms = self._store.first_ms()
        return self._store.lines(from_ms, to_ms), max(from_ms, to_ms - 1 if first_ms is None else first_ms)

    def health(self) -> str:
        """Return what is wrong with the written memory, and what is not shown; empty if nothing is."""
        more = [f"{name} lists more alarms of its own than are shown here" for name in sorted(self._own.left_out)]
        return "; ".join(filter(None, (self._store.health(), *more)))

    def close(self) -> None:
        """Write what waits and close the store."""
        self._changes.commit()
        self._store.close()

    def _take_events(self, scan: Scan) -> None:
        """Take what devices have in alarm themselves; an object that was never listed gets an alarm."""
        fresh, gone = self._own.take(scan.events)
        if not fresh:
            return
        for name in gone:
            del self._lives[name]
            self._changes.drop(name)
        self._lives |= {life.rule.id: life for life in fresh}
        self._lay_out()

    def _lay_out(self) -> None:
        self._groups = {
            family: tuple(life for life in self._lives.values() if life.rule.first_out == family)
            for family in self._episodes
        }
        self._quiet = Quiet(tuple(self._lives.values()))

    def _speaker(self, life: Life) -> Life | None:
        """Return who speaks for an alarm: who does so now, else the first that stands, else its higher one."""
        names = life.rule.speakers
        if not names:
            return None
        if life.kept.suppressed_by in names:
            return self._lives.get(life.kept.suppressed_by)
        found = [self._lives[name] for name in names if name in self._lives]
        return next((one for one in found if stands(life, one)), found[0] if found else None)

    def _seen(self, life: Life, scan: Scan, stamp_ms: int | None) -> Seen:
        began_ms = self._clock.now_ms() - round((scan.now_s - life.delay.onset_s) * 1_000)
        stamp_ms = stamp_ms if stamp_ms is not None else own.stamp_ms(life, scan.events, began_ms)
        if stamp_ms is not None and isinstance(life.rule.watch, DeviceOwn):
            return Seen(life.rule.id, stamp_ms, STAMP_PERIOD_MS, stamp_ms)
        return Seen(life.rule.id, began_ms, round(life.rule.period_s * 1_000), stamp_ms)

    def _set_episode(self, family: str, episode: Episode) -> None:
        self._episodes[family] = episode
        self._changes.group(family, episode.seen)

    def _take_up(self) -> None:
        """Fit what was kept to the rules of today, and shelves to this clock."""
        now_s, now_ms = self._clock.monotonic_s(), self._clock.now_ms()
        for life in self._lives.values():
            kept = life.kept
            life.called_s = now_s
            if kept.state is State.SHLVD and kept.shelved_until_ms:
                life.shelf_ends_s = now_s + (kept.shelved_until_ms - now_ms) / 1_000
            if not life.rule.latching and kept.state in {State.LATUN, State.LATAC}:
                self._changes.apply(life, Event.CLEAR, note="it no longer latches")
            if not life.rule.annunciated and kept.state is not State.NORM:
                self._changes.say(journal.CLOSED, life, kept.state, note="it is an event now")
                life.kept.state = State.NORM
                self._changes.keep(life)

    def _close(self, kept: Mapping[str, Kept]) -> None:
        for name, gone in kept.items():
            self._changes.drop(name)
            if gone.state is not State.NORM:
                self._changes.say_plainly(journal.CLOSED, name, f"its rule was removed; it stood at {gone.state}")

    def _wall_offset_s(self) -> float:
        return self._clock.now_ms() / 1_000 - self._clock.monotonic_s()

    def _watch_clock(self) -> None:
        """Note a stepped clock; shelves stay as long as they were meant to be, first-out in its order."""
        step_s = self._wall_offset_s() - self._offset_s
        if abs(step_s) < CLOCK_STEP_S:
            return
        self._offset_s += step_s
        self._changes.say_plainly(journal.CLOCK, "", f"the clock was stepped by {step_s:+.0f} s")
        for family, episode in self._episodes.items():
            self._set_episode(family, episode.shifted(round(step_s * 1_000)))
        now_s, now_ms = self._clock.monotonic_s(), self._clock.now_ms()
        for life in self._lives.values():
            if life.kept.state is State.SHLVD and life.shelf_ends_s is not None:
                life.kept.shelved_until_ms = now_ms + round((life.shelf_ends_s - now_s) * 1_000)
                self._changes.keep(life)
