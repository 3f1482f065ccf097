"""A first map for a log, for a person to finish: what could be guessed stands in it, what not is commented out."""

from __future__ import annotations

import json

from plantview.importing.column_map import SCHEMA, UNDECIDED
from plantview.importing.guess import decimal_of, long_of, point_of, sample_of, time_of, unit_of
from plantview.importing.log import Log
from plantview.model.plant import Plant


def first_map(log: Log, plant: Plant) -> str:
    """Return the text of the map."""
    sample = sample_of(log)
    time = time_of(sample)
    long = long_of(sample, time)
    lines = [
        f"# Which column of {log.path.name} is which point of {plant.name}.",
        "# Every line was guessed from names and cells: check each one, above all units and the time zone.",
        f"schema = {SCHEMA}",
        "",
        *_file(log, long is not None),
        "",
        "[time]",
        f"columns = {_list(time.columns) if time else _list(log.columns[:1])}"
        + ("" if time else "  # no column looked like a time: correct this"),
    ]
    if time is None or len(time.formats) > 1:
        choices = " or ".join(time.formats) if time else "for example %d/%m/%Y %H:%M, iso, unix_s"
        lines += [
            f"# day and month could be either: {time.doubt}" if time else "# the format was not recognised",
            f"format = {_text(UNDECIDED)}  # {choices}",
        ]
    else:
        lines.append(f"format = {_text(time.formats[0])}" + (f"  # {time.doubt}" if time.doubt else ""))
    lines.append(
        f"zone = {_text(plant.zone)}  # of the clock that wrote the log; Etc/GMT+6 for one without summer time"
    )
    if long:
        lines += ["", "[long]", f"name = {_text(long[0])}", f"value = {_text(long[1])}"]
    lines += [
        "",
        "[cells]",
        f"decimal = {_text(decimal_of(sample))}",
        "no_data = []  # further words that mean no value",
    ]
    names = (
        list(dict.fromkeys(str(cell).strip() for cell in sample[long[0]]))
        if long
        else [name for name in log.columns if not time or name not in time.columns]
    )
    used: set[str] = set()
    for name in names:
        lines += ["", *_column(name, plant, used)]
    return "\n".join(lines) + "\n"


def _file(log: Log, long: bool) -> list[str]:
    shape = log.shape
    told = [
        f"encoding = {_text(shape.encoding)}" if shape.encoding else "",
        f"separator = {_text(shape.separator)}" if shape.separator else "",
        f"header_line = {shape.header_line}" if shape.header_line else "",
        f"sheet = {_text(shape.sheet)}" if shape.sheet else "",
    ]
    return ["[file]", f'layout = "{"long" if long else "wide"}"', *filter(None, told)]


def _column(name: str, plant: Plant, used: set[str]) -> list[str]:
    point = point_of(name, plant)
    if point is None or point.name in used:
        return [
            "# no point is like this one; name it, or leave it out",
            "# [[columns]]",
            f"# column = {_text(name)}",
            '# point = ""',
            '# unit = ""',
        ]
    used.add(point.name)
    rows = ["[[columns]]", f"column = {_text(name)}", f"point = {_text(point.name)}  # {point.label}"]
    if point.states:
        known = ", ".join(f"{number} {word}" for number, word in point.states.items())
        return [*rows, f"states = {{}}  # the plant says: {known}; add words of the log, such as Running = 1"]
    return [*rows, f"unit = {_text(unit_of(name, point))}"]


def _text(words: str) -> str:
    # a JSON string is a TOML basic string
    return json.dumps(words, ensure_ascii=False)


def _list(words: tuple[str, ...]) -> str:
    return "[" + ", ".join(_text(word) for word in words) + "]"
