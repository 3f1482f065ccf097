"""When the field process tells what it read: soon after it was read, not more often than anybody sees, and at least in time."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from plantview.clock import SystemClock
from plantview.model.plant import Plant
from plantview.model.reading import Batch, good
from plantview.service import field as field_module
from plantview.service.field import Field

NEVER_S = 1e6
POINT, OTHER = "CH-1.chws_temp", "CH-1.chwr_temp"


class Told:
    """What a field process told, as it tells it."""

    def __init__(self, field: Field) -> None:
        self.field = field
        self.kinds: list[str] = []
        self.frames: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        field.channel.publish = self._take  # type: ignore[method-assign]

    def _take(self, kind: str, body: dict[str, Any]) -> None:
        self.kinds.append(kind)
        if kind == "frame":
            self.frames.put_nowait(body)

    def read(self, name: str, value: float) -> None:
        """Let a device answer."""
        at_ms = self.field.clock.now_ms()
        self.field._take(Batch(at_ms, {name: good(value, at_ms)}, {}))


@asynccontextmanager
async def telling(plant: Plant, folder: Path) -> AsyncIterator[Told]:
    """Run what tells, without any device; the first sweeps are over."""
    field = Field(plant, folder, SystemClock())
    field._started_real_s = -NEVER_S
    told = Told(field)
    task = asyncio.create_task(field._tell())
    try:
        await told.frames.get()
        yield told
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        field.alarms.close()


async def test_a_new_reading_has_its_frame_at_once_and_does_not_wait_for_the_next_beat(
    larkfield: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(field_module, "FRAME_PERIOD_REAL_S", NEVER_S)
    monkeypatch.setattr(field_module, "FRAME_GAP_REAL_S", 0.0)
    async with telling(larkfield, tmp_path) as told:
        told.read(POINT, 44.0)
        frame = await told.frames.get()
        assert frame["readings"][POINT][0] == 44.0
        told.read(OTHER, 54.0)
        assert list((await told.frames.get())["readings"]) == [OTHER]
        assert told.kinds.count("health") == 1, "counters are told with the beat only"


async def test_readings_that_come_together_go_together(
    larkfield: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(field_module, "FRAME_PERIOD_REAL_S", NEVER_S)
    monkeypatch.setattr(field_module, "FRAME_GAP_REAL_S", 0.05)
    async with telling(larkfield, tmp_path) as told:
        told.read(POINT, 44.0)
        told.read(POINT, 45.0)
        told.read(OTHER, 54.0)
        frame = await told.frames.get()
        assert {name: row[0] for name, row in frame["readings"].items()} == {POINT: 45.0, OTHER: 54.0}
        assert told.frames.empty()


async def test_where_nothing_is_read_frames_still_come_so_that_a_silent_plant_is_no_silent_field(
    larkfield: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(field_module, "FRAME_PERIOD_REAL_S", 0.02)
    monkeypatch.setattr(field_module, "FRAME_GAP_REAL_S", 0.01)
    async with telling(larkfield, tmp_path) as told:
        assert [(await told.frames.get())["readings"] for _ in range(3)] == [{}, {}, {}]
        assert told.kinds.count("health") >= 2
