"""Where in a TOML file each key stands, so that a problem can name its line.

``tomllib`` gives values without lines. This walker runs after it, over text that is
known to be valid TOML, and keeps only the line of every key and array element.
"""

from __future__ import annotations

import re
from typing import Final

Path = tuple[str | int, ...]

_MARK: Final = re.compile(
    r'"""(?:\\.|[^\\])*?"""|\'\'\'.*?\'\'\'|"(?:\\.|[^"\\])*"|\'[^\']*\'|#[^\n]*|\n|\[\[|\]\]|[\[\]{}=,.]|[^\s\[\]{}=,.#"\']+',
    re.DOTALL,
)


class Positions:
    """Line numbers (from 1) of the keys and array elements of one TOML text."""

    def __init__(self, text: str) -> None:
        self._marks = _marks(text)
        self._at = 0
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        self._walk()

    def line(self, path: Path) -> int:
        """Return the line of ``path`` or of its nearest known ancestor; 0 for the whole file."""
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path[:-1]
        return 0

    def _walk(self) -> None:
        base: Path = ()
        while (mark := self._peek()) is not None:
            if mark == "\n":
                self._at += 1
            elif mark in {"[", "[["}:
                base = self._table_header(array=mark == "[[")
            else:
                self._pair(base)

    def _table_header(self, *, array: bool) -> Path:
        line = self._line()
        self._at += 1
        path = self._resolve(self._key())
        self._at += 1 if self._peek() == "]]" else (2 if array else 1)
        if array:
            index = self._counts.get(path, 0)
            self._counts[path] = index + 1
            self._lines.setdefault(path, line)
            path = (*path, index)
        for depth in range(1, len(path) + 1):
            self._lines.setdefault(path[:depth], line)
        return path

    def _resolve(self, key: Path) -> Path:
        """Return the path with the newest index behind each array of tables on the way."""
        path: Path = ()
        for part in key[:-1]:
            path = (*path, part)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        return (*path, key[-1])

    def _pair(self, base: Path) -> None:
        line = self._line()
        path = base
        for part in self._key():
            path = (*path, part)
            self._lines.setdefault(path, line)
        self._at += 1  # the equals sign
        self._value(path)

    def _value(self, path: Path) -> None:
        mark = self._peek()
        if mark in {"[", "[["}:
            self._array(path)
        elif mark == "{":
            self._at += 1
            while self._skip() != "}":
                if self._peek() == ",":
                    self._at += 1
                    continue
                self._pair(path)
            self._at += 1
        else:
            while self._peek() not in {"\n", ",", "]", "]]", "}", None}:
                self._at += 1

    def _array(self, path: Path) -> None:
        if self._peek() == "[[":
            self._split("[", "[")
        self._at += 1
        index = 0
        while True:
            mark = self._skip()
            if mark == "]]":
                self._split("]", "]")
                mark = "]"
            if mark == "]":
                break
            if mark == ",":
                self._at += 1
                continue
            self._lines[(*path, index)] = self._line()
            self._value((*path, index))
            index += 1
        self._at += 1

    def _split(self, first: str, second: str) -> None:
        line = self._line()
        self._marks[self._at : self._at + 1] = [(first, line), (second, line)]

    def _key(self) -> Path:
        parts: list[str | int] = []
        while (mark := self._peek()) not in {"=", "]", "]]", None}:
            if mark != ".":
                parts.append(str(mark).strip("\"'"))
            self._at += 1
        return tuple(parts)

    def _skip(self) -> str | None:
        while self._peek() == "\n":
            self._at += 1
        return self._peek()

    def _peek(self) -> str | None:
        return self._marks[self._at][0] if self._at < len(self._marks) else None

    def _line(self) -> int:
        return self._marks[self._at][1]


def _marks(text: str) -> list[tuple[str, int]]:
    marks: list[tuple[str, int]] = []
    line = 1
    for match in _MARK.finditer(text):
        mark = match.group()
        if not mark.startswith("#"):
            marks.append((mark, line))
        line += mark.count("\n")
    return marks
