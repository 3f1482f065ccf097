"""``findings.json`` in the data folder: what was found, what people decided, and thermometer readings with their dates."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any, Final

import orjson

NAME: Final = "findings.json"
SCHEMA: Final = 1
OCTETS_MAX: Final = 4_000_000
ROWS_MAX: Final = 500
"""Of each list: the oldest go first."""
LISTS: Final = ("open", "decided", "past", "thermometer", "compared")

_LOG = logging.getLogger(__name__)


class Kept:
    """The lists of the file; ``write`` replaces it whole."""

    def __init__(self, data: Path) -> None:
        self._file = data / NAME
        self.lists: dict[str, list[dict[str, Any]]] = {name: [] for name in LISTS}
        self.trouble = ""
        self._read()

    def add(self, name: str, row: dict[str, Any]) -> None:
        """Append a row; beyond ``ROWS_MAX`` the oldest goes."""
        rows = self.lists[name]
        rows.append(row)
        del rows[:-ROWS_MAX]

    def write(self) -> None:
        """Put the lists on disk, whole or not at all; a disk that does not take them is named, not fatal."""
        beside = self._file.with_suffix(".new")
        try:
            beside.touch(mode=0o600)
            beside.write_bytes(orjson.dumps({"schema": SCHEMA, **self.lists}, option=orjson.OPT_INDENT_2))
            beside.replace(self._file)
            self.trouble = ""
        except OSError as error:
            self.trouble = f"decisions about findings cannot be kept in {self._file.name}: {error.strerror or error}"
            _LOG.warning("%s", self.trouble)

    def _read(self) -> None:
        if not self._file.exists():
            return
        try:
            if self._file.stat().st_size > OCTETS_MAX:
                raise ValueError("it is too large to be ours")
            found = orjson.loads(self._file.read_bytes())
            if found["schema"] != SCHEMA:
                raise ValueError(f"it has schema {found['schema']}, not {SCHEMA}")
            for name in LISTS:
                self.lists[name] = [dict(row) for row in found.get(name, ())][-ROWS_MAX:]
        except (OSError, ValueError, KeyError, TypeError) as error:
            self.trouble = f"{self._file.name} cannot be used ({error}): decisions of before are not known"
            _LOG.warning("%s", self.trouble)
            self._set_aside()

    def _set_aside(self) -> None:
        try:
            self._file.replace(self._file.with_suffix(".unreadable"))
        except OSError as error:
            _LOG.warning("%s cannot be set aside: %s", self._file.name, error)
