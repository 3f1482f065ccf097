"""Crashes at every border between arm and verified release, and what must be true after the start that follows.

A crash is an exception that nothing here catches, raised before or after something is read, sent or written down.
Everything between two borders is lost with the process either way.
"""

from __future__ import annotations

import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from plantview.audit import verify
from tests.unit.command_rig import BACNET, MODBUS, Record, Rig, record

LIVES_MAX = 6
FOREIGN = 48.5


class Crash(BaseException):
    """The process is gone."""


@dataclass
class Outcome:
    """What came of one crash."""

    seed: int
    border: str
    wrong: list[str]


class Fuse:
    """Lets the n-th border be the last one."""

    def __init__(self, borders: int) -> None:
        self.left, self.where = borders, ""

    def pass_by(self, border: str) -> None:
        self.left -= 1
        if self.left == 0:
            self.where = border
            raise Crash(border)


def _with_borders(rig: Rig, fuse: Fuse) -> None:
    """Put a border before and after everything that is written down."""
    for thing, name in ((rig.audit, "append"), (rig.ledger, "note")):
        plain: Callable[..., Any] = getattr(thing, name)

        def bordered(*args: Any, plain: Callable[..., Any] = plain, name: str = name, **fields: Any) -> Any:
            fuse.pass_by(f"before {name}")
            done = plain(*args, **fields)
            fuse.pass_by(f"after {name}")
            return done

        setattr(thing, name, bordered)


async def one_crash(folder: Path, seed: int) -> Outcome:
    """Command a point, crash at a border drawn by the seed, start again until all is over; return what is wrong."""
    draw = random.Random(seed)
    point = draw.choice((BACNET, MODBUS))
    equipment = record()
    fuse = Fuse(draw.randint(1, 26))
    equipment.before = fuse.pass_by
    outside = draw.random() < 0.25
    rig = Rig(folder, equipment)
    _with_borders(rig, fuse)
    await _survived(_day(rig, point, equipment, outside=outside))
    where = fuse.where or "none"
    equipment.before = lambda _: None
    sent = len(equipment.packets)
    if draw.random() < 0.5:
        rig.pass_s(3 * 3_600.0)
    await _aftermath(rig, draw)
    return Outcome(seed, where, _wrong(rig, point, equipment, outside=outside, sent=sent))


async def _start(rig: Rig, fuse: Fuse) -> None:
    rig.start()
    _with_borders(rig, fuse)
    await rig.tick(0.0, 1.0, 3.0, 10.0)


async def _survived(doing: Awaitable[None]) -> bool:
    """Return whether it came to its end before the crash."""
    survived = True
    try:
        await doing
    except* Crash:
        survived = False
    return survived


async def _day(rig: Rig, point: str, equipment: Record, *, outside: bool) -> None:
    await rig.write(point, 45.5)
    await rig.tick(1.0, 2.0, 7.0)
    if outside:
        if point in equipment.sticky:
            equipment.sticky[point] = FOREIGN
        else:
            equipment.slots[point][7] = FOREIGN
    await rig.tick(7_200.0, 1.0, 3.0, 10.0)


async def _aftermath(rig: Rig, draw: random.Random) -> None:
    """Start again, some of those starts end in a crash too, until the time of every override is over."""
    equipment = rig.equipment
    assert isinstance(equipment, Record)
    for _ in range(LIVES_MAX):
        fuse = Fuse(draw.randint(1, 12))
        equipment.before = fuse.pass_by
        if await _survived(_start(rig, fuse)):
            break
    equipment.before = lambda _: None
    rig.start()
    await rig.tick(0.0, 1.0, 3.0, 10.0, 8_000.0, 1.0, 3.0, 10.0, 70.0, 70.0)


def _wrong(rig: Rig, point: str, equipment: Record, *, outside: bool, sent: int) -> list[str]:
    """Return every promise that was broken."""
    wrong: list[str] = []
    writes = equipment.writes(point)
    there = equipment.sticky.get(point) if point in equipment.sticky else equipment.slots[point][7]
    rest = 44.0 if point in equipment.sticky else None
    foreign = outside and there == FOREIGN
    if any(one.ours for one in rig.desk.keeper.overrides.values()):
        wrong.append(f"still held: {rig.desk.keeper.rows()}")
    if there != rest and not foreign:
        wrong.append(f"forgotten: {there} stands at {point}")
    commits, releases = writes.count(45.5), len(writes) - writes.count(45.5)
    if commits > 1:
        wrong.append(f"committed {commits} times")
    if releases > 1:
        wrong.append(f"released {releases} times")
    if releases > commits:
        wrong.append("released what was never written")
    if foreign and releases:
        wrong.append("taken from another writer")
    if sent > len(equipment.packets):
        wrong.append("packets went missing")
    verdict = verify(rig.folder, rig.folder / "audit-anchor")
    if not verdict.holds:
        wrong.append(f"audit: {verdict.wrong}")
    return wrong
