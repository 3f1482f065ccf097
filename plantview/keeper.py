"""How a terminal finds the process that keeps a plant running, asks it to reload, and hears what came of it."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from plantview.errors import NotRunning, StartRefused

FILE: Final = "keeper.json"
LOCK: Final = "keeper.lock"
WITHIN_REAL_S: Final = 90.0
LOOK_REAL_S: Final = 0.1


class Keeper:
    """Writes ``DATA/keeper.json``: process id, how many reloads were asked for, and what the last one said."""

    def __init__(self, data: Path) -> None:
        self._path = data / FILE
        self._reloads = 0
        self._write([])

    def reloaded(self, problems: Sequence[str]) -> None:
        """Tell what came of a reload; no problems, it was taken."""
        self._reloads += 1
        self._write(problems)

    def _write(self, problems: Sequence[str]) -> None:
        draft = self._path.with_suffix(".new")
        body = {"pid": os.getpid(), "reloads": self._reloads, "problems": list(problems)}
        draft.write_text(json.dumps(body), encoding="utf-8")
        draft.replace(self._path)


@contextmanager
def keeping(data: Path) -> Iterator[Keeper]:
    """Be the one who keeps the plant of this data folder; StartRefused if another process does."""
    data.mkdir(parents=True, exist_ok=True)
    with (data / LOCK).open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise StartRefused(
                f"the data folder {data} is in use by process {_told(data).get('pid', 'unknown')};"
                " stop that one, or give another folder with --data"
            ) from None
        yield Keeper(data)


def ask_reload(data: Path) -> list[str]:
    """Ask the keeper of a data folder to reload; return the problems for which it kept the old description.

    NotRunning if nobody keeps it, or it does not say within a minute and a half what came of it.
    """
    if not _is_kept(data):
        raise NotRunning(
            f"nobody watches a plant with the data folder {data}; the next start reads the new description"
        )
    before = _told(data)
    os.kill(before["pid"], signal.SIGHUP)
    pause = threading.Event()
    for _ in range(round(WITHIN_REAL_S / LOOK_REAL_S)):
        now = _told(data)
        if now["reloads"] != before["reloads"]:
            return [str(problem) for problem in now["problems"]]
        pause.wait(LOOK_REAL_S)
    raise NotRunning(f"process {before['pid']} does not say what came of it; see its terminal, and {data}/logs")


def _is_kept(data: Path) -> bool:
    """Whether the lock is held: the number of a process that is gone may be another's by now."""
    try:
        with (data / LOCK).open("a") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return False


def _told(data: Path) -> dict[str, Any]:
    try:
        told = json.loads((data / FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}
