"""Where an import or a recomputation writes: into the data folder, or through the plant that runs on it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

from plantview.channel.client import ask_once
from plantview.channel.paths import socket_path
from plantview.clock import SystemClock
from plantview.errors import StartRefused
from plantview.history import Samples, Store
from plantview.history.samples import Report
from plantview.importing.take import Keeper
from plantview.model.plant import Plant
from plantview.model.signal import Signal
from plantview.process import owned
from plantview.service.backfill_ask import SAMPLES_MAX, row_of_samples

ASK_REAL_S: Final = 60.0


class RunningPlant:
    """The history of a running plant, written by the process that owns it."""

    def __init__(self, data: Path) -> None:
        self._path = socket_path(data)

    def backfill(self, samples: Mapping[str, Samples]) -> Report:
        """Hand samples over in bounded parts; what was handed over is durable when it returns."""
        counts: dict[str, int] = {}
        problems: dict[str, None] = {}
        for part in parts(samples):
            told = asyncio.run(self._ask({"samples": part}))
            problems |= dict.fromkeys(told["problems"])
            for what, count in told["counts"].items():
                counts[what] = counts.get(what, 0) + count
        return Report(counts, tuple(problems))

    async def _ask(self, body: dict[str, Any]) -> dict[str, Any]:
        _, told = await ask_once(self._path, "backfill", body, ASK_REAL_S)
        return told


def parts(samples: Mapping[str, Samples]) -> Iterator[dict[str, Any]]:
    """Cut samples into questions of a bounded length."""
    part: dict[str, Any] = {}
    room = SAMPLES_MAX
    for name, one in samples.items():
        at = 0
        while at < one.at_ms.size:
            end = min(one.at_ms.size, at + room)
            cut = Samples(one.at_ms[at:end], one.values[at:end], one.quality[at:end], one.reasons[at:end])
            part[name] = row_of_samples(cut)
            room -= end - at
            at = end
            if room == 0:
                yield part
                part, room = {}, SAMPLES_MAX
    if part:
        yield part


def kept_by(stack: ExitStack, plant: Plant, data: Path, signals: Mapping[str, Signal]) -> Keeper:
    """Return who keeps samples for this folder: we, if nobody runs on it; else the plant that does."""
    try:
        stack.enter_context(owned(data))
    except StartRefused:
        if not socket_path(data).exists():
            raise
        return RunningPlant(data)
    store = Store.of(plant, data, dict(signals), SystemClock())
    stack.callback(store.close)
    return store
