"""Cells of one column -> numbers in the point's unit; what is no number is counted by its kind, never guessed."""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from plantview.importing.column_map import NO_DATA, CellTable, Column

CONVERTED_DECIMALS: Final = 4


class Kind(IntEnum):
    """What a cell turned out to be."""

    TAKEN = 0
    EMPTY = 1
    NO_DATA = 2
    TEXT = 3
    NOT_FINITE = 4
    OUT_OF_RANGE = 5
    UNKNOWN_STATE = 6


WORDS: Final = {
    Kind.EMPTY: "empty",
    Kind.NO_DATA: "a word that means no data",
    Kind.TEXT: "text, not a number",
    Kind.NOT_FINITE: "not finite",
    Kind.OUT_OF_RANGE: "beyond the point's range",
    Kind.UNKNOWN_STATE: "a state that the point does not have",
}
"""How a report names each kind."""


def read_cells(cells: Sequence[Any], column: Column, table: CellTable) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Return numbers in the point's unit (NaN where none) and the kind of every cell."""
    texts = [_plain(cell) for cell in cells]
    no_data = {*NO_DATA, *(word.strip().lower() for word in table.no_data)}
    lower = [text.lower() for text in texts]
    kinds = np.array(
        [Kind.EMPTY if not text else Kind.NO_DATA if text in no_data else Kind.TAKEN for text in lower], np.uint8
    )
    if column.point.states:
        return _states(lower, kinds, column)
    numbers = _numbers(texts, table)
    kinds[(kinds == Kind.TAKEN) & np.isnan(numbers)] = Kind.TEXT
    kinds[(kinds == Kind.TAKEN) & np.isinf(numbers)] = Kind.NOT_FINITE
    point = column.point
    if column.unit.name != point.unit.name:
        # a converted number has no more digits than the log gave it; all of float64's would cost six times the disk
        numbers = np.round(point.unit.from_canonical(column.unit.to_canonical(numbers)), CONVERTED_DECIMALS)  # type: ignore[arg-type]
    beyond = (kinds == Kind.TAKEN) & ~((numbers >= point.low) & (numbers <= point.high))
    kinds[beyond] = Kind.OUT_OF_RANGE
    return np.where(kinds == Kind.TAKEN, numbers, np.nan), kinds


def _plain(cell: object) -> str:
    if cell is None:
        return ""
    # a spreadsheet's TRUE is a state word, never the number 1
    return str(cell).strip()


def _numbers(texts: Sequence[str], table: CellTable) -> NDArray[np.float64]:
    bare = pd.Series(texts, dtype=object)
    if table.thousands:
        bare = bare.map(lambda text: text.replace(table.thousands, ""))
    if table.decimal != ".":
        # a point in a log with decimal commas is not a decimal sign
        bare = bare.map(lambda text: "?" if "." in text else text.replace(table.decimal, "."))
    return pd.to_numeric(bare, errors="coerce").to_numpy(np.float64)


def _states(
    lower: Sequence[str], kinds: NDArray[np.uint8], column: Column
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    words = dict(column.words)
    for number in column.point.states:
        words.setdefault(str(number), float(number))
        words.setdefault(f"{number}.0", float(number))
    numbers = np.array([words.get(text, np.nan) for text in lower], np.float64)
    # a state may be called like a word for "no data": FAULT is one
    kinds[~np.isnan(numbers)] = Kind.TAKEN
    kinds[np.isnan(numbers) & (kinds == Kind.TAKEN)] = Kind.UNKNOWN_STATE
    return numbers, kinds
