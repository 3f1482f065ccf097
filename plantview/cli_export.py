"""``plantview export``: history as a CSV or Parquet file, whole or not at all."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Final

import numpy as np

from plantview.channel.client import ask_once
from plantview.channel.paths import socket_path
from plantview.cli_progress import Progress
from plantview.cli_span import span_of
from plantview.config import load_plant
from plantview.config.bundled import data_folder, plant_folder
from plantview.config.problems import near
from plantview.derive import Derivation
from plantview.errors import ChannelError, NotRunning, StartRefused
from plantview.history import Archive, Samples
from plantview.importing.export import write_csv, write_parquet
from plantview.model.plant import Plant
from plantview.model.signal import Signal, signal_of
from plantview.process import EXIT_OK

ASK_REAL_S: Final = 10.0


class Recorded:
    """The archive, and what a running field process still has in memory."""

    def __init__(self, archive: Archive, recent: Mapping[str, Samples]) -> None:
        self._archive, self._recent = archive, recent

    def read(self, name: str, from_ms: int, to_ms: int) -> Samples:
        """Return samples with ``from_ms <= at < to_ms``."""
        recent = self._recent.get(name)
        if recent is None or not len(recent.at_ms):
            return self._archive.range(name, from_ms, to_ms)
        start = int(recent.at_ms[0])
        older = self._archive.range(name, from_ms, min(to_ms, start)) if from_ms < start else Samples.none()
        inside = np.flatnonzero((recent.at_ms >= from_ms) & (recent.at_ms < to_ms))
        return Samples(
            np.concatenate([older.at_ms, recent.at_ms[inside]]),
            np.concatenate([older.values, recent.values[inside]]),
            np.concatenate([older.quality, recent.quality[inside]]),
            (*older.reasons, *(recent.reasons[place] for place in inside.tolist())),
        )

    def extent(self) -> tuple[int, int] | None:
        """Return the times of the first and the last sample."""
        ends = [
            end
            for samples in self._recent.values()
            if len(samples.at_ms)
            for end in (samples.at_ms[0], samples.at_ms[-1])
        ]
        sealed = self._archive.extent()
        whole = [*map(int, ends), *(sealed or ())]
        return (min(whole), max(whole)) if whole else None


def export_history(args: argparse.Namespace) -> int:
    """Write what was read of some points into a file."""
    folder = plant_folder(args.plant_dir)
    plant = load_plant(folder)
    data = data_folder(args.data, folder)
    signals = chosen(plant, args.point)
    target = Path(args.out)
    if not target.parent.is_dir():
        raise StartRefused(f"there is no folder {target.parent}; make it, or choose another with --out")
    archive, recent = Archive.of(plant, data), asyncio.run(_recent(data, signals))
    recorded = Recorded(archive, recent)
    # a pattern means what there is; a value that was named stands in the file even where nothing was read
    read = {*archive.names(), *(name for name, samples in recent.items() if len(samples.at_ms)), *args.point}
    signals = [signal for signal in signals if signal.name in read]
    span = span_of(args.start, args.end, plant.zone, recorded.extent())
    form = args.format or ("parquet" if target.suffix == ".parquet" else "csv")
    progress = Progress(f"writing {target.name}")
    if form == "csv":
        rows = write_csv(target, signals, recorded.read, span, plant.zone, args.units, progress)
    else:
        rows = write_parquet(target, signals, recorded.read, span, args.units, progress)
    progress.done()
    print(f"wrote {target}: {rows} rows of {len(signals)} values" + ("" if rows else "; nothing was read in this span"))
    return EXIT_OK


def chosen(plant: Plant, patterns: Sequence[str]) -> list[Signal]:
    """Return the signals that names or patterns such as ``CH-1.*`` mean, in the order of the plant."""
    known = {name: signal_of(point) for name, point in plant.points.items()} | dict(Derivation(plant).signals)
    for pattern in patterns:
        if not any(fnmatchcase(name, pattern) for name in known):
            raise StartRefused(f"the plant has no value '{pattern}'; {near(pattern, known)}")
    return [signal for name, signal in known.items() if any(fnmatchcase(name, pattern) for pattern in patterns)]


async def _recent(data: Path, signals: Sequence[Signal]) -> dict[str, Samples]:
    """Return what a running field process has in memory; nothing where none runs."""
    found = {}
    for signal in signals:
        try:
            _, answer = await ask_once(socket_path(data), "range", {"point": signal.name}, ASK_REAL_S)
        except (NotRunning, ChannelError):
            return {}
        values = np.array([np.nan if value is None else value for value in answer["values"]], np.float64)
        found[signal.name] = Samples(
            np.array(answer["at_ms"], np.int64), values, np.array(answer["quality"], np.uint8), tuple(answer["reasons"])
        )
    return found
