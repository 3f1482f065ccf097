"""``plantview open``: a package, or a plant with its history, looked back at without any device."""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from plantview.cli_check import problems_of
from plantview.clock import local_text
from plantview.config.bundled import data_folder, plant_folder
from plantview.errors import ConfigError, StartRefused
from plantview.evidence import Opened, unpack
from plantview.history import Archive
from plantview.model.plant import Plant


@dataclass(frozen=True, slots=True)
class Place:
    """What is looked back at."""

    folder: Path
    data: Path
    start_ms: int
    """The moment that is shown first."""
    said: tuple[str, ...]

    def url(self, root: str) -> str:
        """Return the address of the page at that moment."""
        moment = datetime.fromtimestamp(self.start_ms / 1_000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        return f"{root}past?at={moment}"


def grammar(sub: argparse.ArgumentParser) -> None:
    """Add what is opened, and where a package is unpacked."""
    sub.add_argument("what", metavar="FILE|PLANT_DIR", help="an evidence package, or a plant folder with history")
    text = "unpack into this new folder and keep it (default: a temporary one that is removed)"
    sub.add_argument("--into", default="", metavar="DIR", help=text)


@contextmanager
def opened(args: argparse.Namespace) -> Iterator[Place]:
    """Unpack and verify a package, or find a plant's own history; what was temporary is gone afterwards."""
    what = Path(args.what)
    if not what.is_file():
        yield _plant(args)
    elif args.into:
        yield _package(what, Path(args.into))
    else:
        with tempfile.TemporaryDirectory(prefix="plantview-open-") as folder:
            yield _package(what, Path(folder))


def _package(file: Path, folder: Path) -> Place:
    found = unpack(file, folder)
    plant, problems = problems_of(found.plant)
    if plant is None:
        raise ConfigError(found.plant, problems)
    begin, end = found.span
    kept = Archive(found.data).extent()
    if kept is None:
        raise StartRefused(f"{file} holds no readings; have it made again")
    return Place(found.plant, found.data, max(begin, kept[0]), tuple(_told(found, plant, begin, end)))


def _told(found: Opened, plant: Plant, begin: int, end: int) -> Iterator[str]:
    manifest = found.manifest
    simulated = ", SIMULATED" if plant.simulated else ""
    yield f"evidence of {plant.name}{simulated}: {local_text(begin, plant.zone)} to {local_text(end, plant.zone)}"
    made, version = str(manifest.get("made", ""))[:40], str(manifest.get("plantview", ""))[:20]
    yield f"made {made} by plantview {version}; every checksum agrees; read only, no device is asked"
    events, captures = (_count(manifest, name) for name in ("events", "captures"))
    if events or captures:
        yield f"{events} marks and events, {captures} captures of trips, the checkout sheet: page Past, start-up notes"
    left_out = manifest.get("left_out")
    trouble = left_out.get("trouble") if isinstance(left_out, dict) else None
    if isinstance(trouble, list) and trouble:
        yield f"it says that not all could be read: {str(trouble[0])[:200]}"


def _count(manifest: Mapping[str, object], name: str) -> int:
    value = manifest.get(name)
    return value if isinstance(value, int) else 0


def _plant(args: argparse.Namespace) -> Place:
    folder = plant_folder(args.what)
    plant, problems = problems_of(folder)
    if plant is None:
        raise ConfigError(folder, problems)
    data = data_folder(args.data, folder)
    extent = Archive.of(plant, data).extent()
    if extent is None:
        raise StartRefused(
            f"there is no history of {plant.name} in {data}; import a log first, or name its data folder with --data"
        )
    begin, end = (local_text(at, plant.zone) for at in extent)
    said = f"history of {plant.name}: {begin} to {end}; read only, no device is asked"
    return Place(folder, data, extent[1], (said,))
