"""Month files that a newer plantview wrote: left alone, and named for as long as they are there."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Final

from plantview.errors import StartRefused
from plantview.history.month import SAMPLES, SUMS, months_in
from plantview.history.tables import TROUBLE, reading_connection, refuse_newer

NAMED_MAX: Final = 3


class Versions:
    """Looks once into every month file that appears."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._newer: dict[str, bool] = {}

    def look(self) -> None:
        """Look into files that are new and forget those that are gone; a file that cannot be read is no newer one."""
        names = [f"{month}{ending}" for ending in (SAMPLES, SUMS) for month in months_in(self._folder, ending)]
        self._newer = {name: self._newer[name] if name in self._newer else self._is_newer(name) for name in names}

    def _is_newer(self, name: str) -> bool:
        path = self._folder / name
        with contextlib.suppress(*TROUBLE), contextlib.closing(reading_connection(path)) as db:
            try:
                refuse_newer(db, path)
            except StartRefused:
                return True
        return False

    def refused(self) -> list[str]:
        """Return the sentence for the health page; none where every file is understood."""
        names = sorted(name for name, newer in self._newer.items() if newer)
        if not names:
            return []
        listed = ", ".join(names[:NAMED_MAX]) + (f" and {len(names) - NAMED_MAX} more" if names[NAMED_MAX:] else "")
        return [
            f"{listed}: written by a newer plantview, left alone and not shown by this one; install the newer version,"
            " or move them out of the data folder"
        ]
