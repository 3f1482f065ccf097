"""``plantview alarms-sheet``: the alarms of a plant as a sheet to discuss, and from the sheet back to plant.toml."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from plantview.alarms import compile_rules, is_warning
from plantview.alarms.sheet import read_sheet, sheet, toml_rows
from plantview.alarms.starting import starting_set
from plantview.config import load_plant
from plantview.config.bundled import plant_folder
from plantview.derive import Derivation
from plantview.errors import ConfigError, Problem, StartRefused
from plantview.model.plant import Plant
from plantview.model.signal import Signal

BYTES_MAX: Final = 20_000_000


def alarms_sheet(args: argparse.Namespace) -> list[str]:
    """Do it and return the lines for the person at the terminal; ConfigError, StartRefused if it cannot be done."""
    if args.take and args.start:
        raise StartRefused("give either --in or --start: a sheet is taken as it is, a starting set is made anew")
    plant = load_plant(plant_folder(args.plant_dir))
    signals = Derivation(plant).signals
    if args.take:
        return _take(plant, signals, Path(args.take), Path(args.out))
    lines: list[str] = []
    if args.start:
        found = starting_set(plant, signals)
        plant = replace(plant, alarms=tuple(found.rows))
        lines += [f"left out: {text}" for text in found.left_out]
    rules, problems = compile_rules(plant, signals)
    _write(Path(args.out), sheet(plant, rules))
    counts = [sum(rule.priority == number and rule.annunciated for rule in rules) for number in (1, 2, 3, 4)]
    shares = ", ".join(f"priority {n}: {count}" for n, count in zip((1, 2, 3, 4), counts, strict=True))
    lines.append(
        f"{len(rules)} alarms and events written to {args.out} ({shares}; about 5 % high, 15 % medium is usual)"
    )
    if args.start:
        lines.append(f"go through it, then: plantview alarms-sheet {args.plant_dir} --in {args.out} --out alarms.toml")
    return lines + [str(problem) for problem in problems]


def _take(plant: Plant, signals: Mapping[str, Signal], source: Path, out: Path) -> list[str]:
    try:
        raw = source.read_bytes()[: BYTES_MAX + 1]
        text = raw.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise StartRefused(f"{source} cannot be read: {error}") from None
    if len(raw) > BYTES_MAX:
        raise StartRefused(f"{source} is longer than {BYTES_MAX} bytes")
    rows, problems = read_sheet(text, source.name)
    rules, found = compile_rules(replace(plant, alarms=tuple(rows)), signals)
    _refuse(source, [*problems, *(problem for problem in found if not is_warning(problem))])
    _write(out, toml_rows([{key: row[key] for key in row if key not in {"line", "file"}} for row in rows]))
    warnings = [str(problem) for problem in found if is_warning(problem)]
    return [
        *warnings,
        f"{len(rules)} alarms and events written to {out}: put them in place of the [[alarms]] of plant.toml",
    ]


def _refuse(source: Path, problems: Sequence[Problem]) -> None:
    if problems:
        raise ConfigError(source, problems)


def _write(path: Path, text: str) -> None:
    if path.exists():
        raise StartRefused(f"{path} exists already; give another name with --out, or move it away")
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise StartRefused(f"{path} cannot be written: {error.strerror}") from None
