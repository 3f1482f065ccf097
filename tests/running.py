"""A running plantview for tests: started as a person starts it, in an empty folder, stopped by Ctrl-C."""

from __future__ import annotations

import json
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic, sleep
from typing import Any

from plantview.config.ports import free_port

READY_S_MAX = 80.0
POLL_S = 0.1


@dataclass
class Running:
    """One started command with its web port and what it has said."""

    process: subprocess.Popen[str]
    port: int
    folder: Path
    lines: queue.Queue[str]
    reader: threading.Thread
    said: list[str] = field(default_factory=list)

    @property
    def url(self) -> str:
        """Return the address of the page."""
        return f"http://127.0.0.1:{self.port}"

    def wait_line(self, part: str) -> str:
        """Return the first line that contains ``part``, waiting for it."""
        deadline = monotonic() + READY_S_MAX
        while monotonic() < deadline and (self.reader.is_alive() or not self.lines.empty()):
            try:
                line = self.lines.get(timeout=POLL_S)
            except queue.Empty:
                continue
            self.said.append(line)
            if part in line:
                return line
        raise AssertionError(f"'{part}' was never said; it said: {self.said}")

    def get(self, path: str) -> Any:
        """Return the JSON of an API answer, also that of an error status."""
        try:
            with urllib.request.urlopen(self.url + path, timeout=5) as answer:
                return json.load(answer)
        except urllib.error.HTTPError as error:
            return json.load(error)

    def values(self, query: str = "") -> dict[str, dict[str, Any]]:
        """Return the values by point name."""
        answer = self.get(f"/api/v1/values{query}")
        rows = answer["values"] if isinstance(answer, dict) else answer
        return {row["point"]: row for row in rows}

    def until(self, what: Callable[[], Any], within_s: float = 20.0) -> Any:
        """Return the first true answer of ``what``; the state that is waited for has no event on this side."""
        deadline = monotonic() + within_s
        while True:
            try:
                answer = what()
            except (OSError, ValueError, KeyError):
                answer = None
            if answer:
                return answer
            if monotonic() > deadline:
                raise AssertionError(f"not within {within_s:g} s; it said: {self.said}")
            sleep(POLL_S)

    def children(self) -> dict[str, int]:
        """Return process ids of the parts by role."""
        found = {}
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                try:
                    command = (entry / "cmdline").read_text().split("\0")
                    parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
                except OSError:
                    continue
                if parent == self.process.pid and len(command) > 1 and command[-2].startswith("{"):
                    found[json.loads(command[-2])["role"]] = int(entry.name)
        return found

    def stop(self, number: int = signal.SIGINT) -> int:
        """Ask it to stop; return the exit code."""
        self.process.send_signal(number)
        return self.process.wait(timeout=10)


def _read(stream: Any, lines: queue.Queue[str]) -> None:
    for line in stream:
        lines.put(line.rstrip("\n"))


@contextmanager
def running(
    arguments: Sequence[str], folder: Path, port: int | None = None, python: str = sys.executable
) -> Iterator[Running]:
    """Run ``plantview …`` in a folder; whatever it started is gone afterwards."""
    chosen = port or free_port(socket.SOCK_STREAM)
    command = [python, "-m", "plantview", *arguments]
    if arguments[0] in {"demo", "run"}:
        command += ["--port", str(chosen)]
    if arguments[0] == "demo" and "--past" not in arguments:
        command += ["--past", "0"]  # only the tests of the past pay for it
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(
        command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment
    )
    lines: queue.Queue[str] = queue.Queue()
    reader = threading.Thread(target=_read, args=(process.stdout, lines), daemon=True)
    reader.start()
    try:
        yield Running(process, chosen, folder, lines, reader)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        reader.join(timeout=5)
        if process.stdout:
            process.stdout.close()


@contextmanager
def live_demo(folder: Path, *options: str, within_s: float = 30.0) -> Iterator[Running]:
    """Run ``plantview demo`` until its first efficiency is there."""
    with running(["demo", *options], folder) as started:
        started.wait_line("open http://")
        started.until(lambda: started.values()["PLANT.kw_per_ton"]["quality"] == "GOOD", within_s)
        yield started
