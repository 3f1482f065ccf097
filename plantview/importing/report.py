"""What an import took, refused and why; in lines that a person reads from top to bottom."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from plantview.clock import local_text
from plantview.importing.cells import WORDS, Kind

EXAMPLE_MAX: Final = 40
"""Characters of a refused cell that a report repeats."""


@dataclass(slots=True)
class ColumnReport:
    """One column."""

    name: str
    point: str
    unit: str
    into: str
    taken: int = 0
    kinds: Counter[Kind] = field(default_factory=Counter)
    first: dict[Kind, tuple[int, str]] = field(default_factory=dict)
    """Kind -> line and text of the first such cell."""

    def lines(self) -> list[str]:
        """Return what there is to say, the refusals indented below."""
        unit = f", {self.unit} kept as {self.into}" if self.unit != self.into else f", {self.unit}" if self.unit else ""
        said = [f"  {self.name} -> {self.point}{unit}: {self.taken} taken"]
        for kind, count in sorted(self.kinds.items()):
            if kind is Kind.TAKEN or not count:
                continue
            example = ""
            if kind in self.first and kind is not Kind.EMPTY:
                line, text = self.first[kind]
                example = f", first in line {line}: '{text[:EXAMPLE_MAX]}'"
            said.append(f"    {count} {WORDS[kind]}{example}")
        return said


@dataclass(slots=True)
class Report:
    """One import."""

    zone: str
    rows: int = 0
    notes: dict[str, tuple[int, int, str]] = field(default_factory=dict)
    """What is said about stamps -> how often, line of the first, what to do."""
    doubts: list[str] = field(default_factory=list)
    columns: list[ColumnReport] = field(default_factory=list)
    unmapped: dict[str, int] = field(default_factory=dict)
    """Names of a long log that the map does not have -> rows."""
    store_refused: int = 0
    """Readings that the store did not want, for example because they are older than what it keeps."""
    first_ms: int | None = None
    last_ms: int | None = None

    @property
    def taken(self) -> int:
        """Return how many readings were taken."""
        return sum(column.taken for column in self.columns)

    def note(self, what: str, count: int, line: int, remedy: str = "") -> None:
        """Note something about stamps that happened ``count`` times."""
        if count:
            self.notes[what] = (count, line, remedy)

    def lines(self, *, dry: bool) -> list[str]:
        """Return the report."""
        verb = "would be taken (nothing was written: --dry-run)" if dry else "taken"
        said = [f"DOUBT: {doubt}" for doubt in self.doubts]
        said.append(f"{self.rows} rows read, {self.taken} readings {verb}")
        if self.first_ms is not None and self.last_ms is not None:
            said.append(f"from {local_text(self.first_ms, self.zone)} to {local_text(self.last_ms, self.zone)}")
        for what, (count, line, remedy) in self.notes.items():
            said.append(f"  {count} {what}, first in line {line}" + (f" -> {remedy}" if remedy else ""))
        for column in self.columns:
            said.extend(column.lines())
        if self.store_refused:
            said.append(f"  {self.store_refused} readings refused by the store")
        if self.unmapped:
            names = ", ".join(f"{name} ({count})" for name, count in list(self.unmapped.items())[:10])
            said.append(f"  {sum(self.unmapped.values())} rows of names that the map leaves out: {names}")
        return said

    def body(self) -> Mapping[str, Any]:
        """Return the totals for a program."""
        return {"rows": self.rows, "taken": self.taken, "from_ms": self.first_ms, "to_ms": self.last_ms}
