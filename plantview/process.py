"""How each of plantview's processes starts, logs, says that it is ready, and stops.

A process is told to stop by SIGTERM or SIGINT, or by the end of its standard input:
whoever started it is gone then, and nothing may go on talking to a plant unattended.
"""

from __future__ import annotations

import asyncio
import fcntl
import json
import logging
import logging.handlers
import os
import signal
import sys
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from plantview.clock import utc_text
from plantview.errors import ConfigError, StartRefused

LOG_BYTES_MAX: Final = 2_000_000
LOG_FILES_MAX: Final = 5
EXIT_OK: Final = 0
EXIT_FAILED: Final = 1
EXIT_REFUSED: Final = 2

log = logging.getLogger("plantview")


@contextmanager
def owned(folder: Path) -> Iterator[None]:
    """Hold the data folder for this process alone; StartRefused names the process that has it."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("a+", encoding="utf-8") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            lock.seek(0)
            owner = lock.read().strip() or "unknown"
            raise StartRefused(
                f"the data folder {folder} is in use by process {owner}; stop that one, or give another folder with --data"
            ) from None
        lock.truncate(0)
        lock.write(str(os.getpid()))
        lock.flush()
        yield


class _JsonLine(logging.Formatter):
    """One JSON object per line, so that a log can be searched by field."""

    def format(self, record: logging.LogRecord) -> str:
        line = {
            "at": utc_text(round(record.created * 1_000)),
            "level": record.levelname.lower(),
            "from": record.name,
            "text": record.getMessage(),
        }
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


def start_log(folder: Path, process: str) -> None:
    """Write structured, rotated logs to ``folder/logs/<process>.log``; libraries only from WARNING up."""
    place = folder / "logs"
    place.mkdir(parents=True, exist_ok=True)
    writer = logging.handlers.RotatingFileHandler(
        place / f"{process}.log", maxBytes=LOG_BYTES_MAX, backupCount=LOG_FILES_MAX, encoding="utf-8"
    )
    writer.setFormatter(_JsonLine())
    logging.basicConfig(level=logging.WARNING, handlers=[writer], force=True)
    log.setLevel(logging.INFO)
    # one line per time-out with its last frames: a silent device would fill the disk
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


def say(**fields: object) -> None:
    """Tell the supervisor one thing, as one line of JSON on standard output."""
    sys.stdout.write(json.dumps(fields) + "\n")
    sys.stdout.flush()


async def until_stopped(stop: asyncio.Event) -> None:
    """Set ``stop`` when a signal or the end of standard input asks for it, and return then."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    reader = asyncio.StreamReader()
    transport, _ = await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    gone = asyncio.ensure_future(_drain(reader))
    stopped = asyncio.ensure_future(stop.wait())
    try:
        await asyncio.wait({gone, stopped}, return_when=asyncio.FIRST_COMPLETED)
        stop.set()
    finally:
        gone.cancel()
        stopped.cancel()
        transport.close()


async def _drain(reader: asyncio.StreamReader) -> None:
    while await reader.read(1_024):
        pass


def run_process(main: Callable[[asyncio.Event], Awaitable[None]]) -> int:
    """Run ``main(stop)`` until it is told to stop; return the exit code.

    A refusal to start is said to the supervisor in one sentence (exit 2); anything
    unforeseen is logged with its trace (exit 1), and the supervisor starts again.
    """
    try:
        asyncio.run(_run(main))
    except (StartRefused, ConfigError) as error:
        say(refused=str(error))
        return EXIT_REFUSED
    except Exception:
        log.exception("stopped by a failure that has no name yet")
        say(failed="stopped by a failure that has no name yet; the log has the trace")
        return EXIT_FAILED
    return EXIT_OK


async def _run(main: Callable[[asyncio.Event], Awaitable[None]]) -> None:
    stop = asyncio.Event()
    watcher = asyncio.create_task(until_stopped(stop))
    try:
        await main(stop)
    except ExceptionGroup as group:
        raise _first(group) from group
    finally:
        stop.set()
        await watcher


def _first(group: ExceptionGroup[Exception]) -> Exception:
    """Return a named refusal of the group if there is one, else its first failure."""
    failures = [_first(error) if isinstance(error, ExceptionGroup) else error for error in group.exceptions]
    return next((error for error in failures if isinstance(error, StartRefused | ConfigError)), failures[0])
