"""A private PostgreSQL of Debian's package for the tests: a folder of its own, a loopback port, an unprivileged user."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from plantview.config.ports import free_port

NAME, PASSWORD = "plantview", "only-for-tests"
USER = "postgres"
PAUSE_S, TRIES = 0.05, 400


def programs() -> Path | None:
    """Return the folder of the server's programs, the newest installed; None where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda path: int(path.parts[-3]))
    if found:
        return found[-1].parent
    there = shutil.which("postgres")
    return Path(there).parent if there else None


class Server:
    """One server; ``kill`` ends it as a crash does, ``start`` brings it back on the same port and data."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port(socket.SOCK_STREAM)
        self.url = f"postgresql://{NAME}@127.0.0.1:{self.port}/{NAME}"
        self._process: subprocess.Popen[bytes] | None = None
        self._pause = threading.Event()
        secret = folder / "secret"
        secret.write_text(PASSWORD)
        if os.geteuid() == 0:  # the server refuses to run as root
            folder.chmod(0o755)
            shutil.chown(folder, USER, USER)
            shutil.chown(secret, USER, USER)
        self._run("initdb", "--auth=scram-sha-256", f"--username={NAME}", f"--pwfile={secret}", "--no-sync", "--no-locale",
                  "--encoding=UTF8", "-D", str(folder / "data"))  # fmt: skip

    def _as_user(self, program: str, *arguments: str) -> list[str]:
        place = programs()
        assert place is not None
        given_up = ["setpriv", f"--reuid={USER}", f"--regid={USER}", "--clear-groups"] if os.geteuid() == 0 else []
        return [*given_up, str(place / program), *arguments]

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run(self._as_user(program, *arguments), capture_output=True, text=True, check=False, cwd="/")
        assert done.returncode == 0, done.stderr

    def start(self) -> None:
        """Return when the server answers; tried again while what a crash left behind is cleared away."""
        for _ in range(TRIES):
            if self._process is None or self._process.poll() is not None:
                self._process = subprocess.Popen(
                    self._as_user("postgres", "-D", str(self.folder / "data"), "-p", str(self.port), "-h", "127.0.0.1",
                                  "-c", "unix_socket_directories=", "-c", "max_connections=20", "-c", "shared_buffers=16MB"),
                    stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/",
                )  # fmt: skip
            if self._answers():
                return
            self._pause.wait(PAUSE_S)
        raise AssertionError("the server did not start")

    def _answers(self) -> bool:
        import psycopg

        with contextlib.suppress(psycopg.OperationalError):
            psycopg.connect(self.url.rpartition("/")[0] + "/postgres", password=PASSWORD, connect_timeout=5).close()
            return True
        return False

    def make_database(self) -> None:
        with self.session("postgres") as db:
            db.execute(f"CREATE DATABASE {NAME}")

    @contextlib.contextmanager
    def session(self, database: str = NAME) -> Iterator[Any]:
        """Give a session for a test to look behind the curtain."""
        import psycopg

        with psycopg.connect(self.url.rpartition("/")[0] + f"/{database}", password=PASSWORD, autocommit=True) as db:
            yield db

    def kill(self) -> None:
        """End the server at once, wherever it is."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()

    def stop(self) -> None:
        """End it in order and soon."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGINT)
            self._process.wait(30)


@contextlib.contextmanager
def private_server() -> Iterator[Server]:
    """Give a running server; skip where PostgreSQL is not installed."""
    if programs() is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    pytest.importorskip("psycopg", reason="the extra 'postgresql' is not installed")
    # not below a test's own folder: the unprivileged user may not enter that
    with tempfile.TemporaryDirectory(prefix="plantview-pg-") as folder:
        server = Server(Path(folder))
        try:
            server.start()
            server.make_database()
            yield server
        finally:
            server.stop()
