"""``plantview import``: a log made elsewhere becomes history; and the first map for such a log."""

from __future__ import annotations

import argparse
from contextlib import ExitStack
from pathlib import Path

from plantview.cli_keep import kept_by
from plantview.cli_progress import Progress
from plantview.clock import SystemClock, utc_text
from plantview.config import load_plant
from plantview.config.bundled import data_folder, plant_folder
from plantview.errors import LogUnreadable, StartRefused
from plantview.importing.column_map import read_map
from plantview.importing.first_map import first_map
from plantview.importing.log import FOUND_OUT, open_log
from plantview.importing.take import take_log
from plantview.model.plant import Plant
from plantview.model.signal import signal_of
from plantview.process import EXIT_OK


def import_log(args: argparse.Namespace) -> int:
    """Take in a log, or write the first map for it."""
    folder = plant_folder(args.plant_dir)
    plant = load_plant(folder)
    log = Path(args.log)
    if args.start_map:
        return _start_map(log, plant, args.plant_dir)
    if not args.columns:
        raise StartRefused(
            f"give the map of its columns with --columns MAP.toml; a first one: plantview import --start-map {log} {args.plant_dir}"
        )
    data = data_folder(args.data, folder)
    return _take(log, Path(args.columns), plant, data, args)


def _start_map(log: Path, plant: Plant, plant_dir: str) -> int:
    target = log.with_suffix(".map.toml")
    text = first_map(open_log(log, FOUND_OUT), plant)
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise StartRefused(f"{target} exists already and is left as it is; move it away first") from None
    except OSError as error:
        raise StartRefused(f"{target} cannot be written: {error.strerror or error}") from error
    left = text.count("# [[columns]]")
    print(f"wrote {target}: columns matched by name: {text.count('[[columns]]') - left}, left for you: {left}.")
    print(f"check it, then: plantview import {log} {plant_dir} --columns {target} --dry-run")
    return EXIT_OK


def _take(file: Path, map_file: Path, plant: Plant, data: Path, args: argparse.Namespace) -> int:
    clock = SystemClock()
    column_map = read_map(map_file, plant)
    log = open_log(file, column_map.shape)
    progress = Progress(f"reading {file.name}")
    with ExitStack() as stack:
        store = None
        if not args.dry_run:
            store = kept_by(stack, plant, data, {name: signal_of(point) for name, point in plant.points.items()})
        report = take_log(log, column_map, store, clock.now_ms(), plant.zone, progress)
    progress.done()
    print("\n".join(report.lines(dry=args.dry_run)))
    if not report.taken or report.first_ms is None or report.last_ms is None:
        raise LogUnreadable("nothing was taken; the lines above say why")
    if not args.dry_run:
        span = f"--from {utc_text(report.first_ms)} --to {utc_text(report.last_ms + 1)}"
        print(f"derived values for it: plantview recompute {args.plant_dir} {span}")
    return EXIT_OK
