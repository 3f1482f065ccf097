"""The libmodbus server, compiled once per session from ``registers.c``."""

from __future__ import annotations

import asyncio
import functools
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

SOURCE = Path(__file__).parent / "registers.c"


@functools.cache
def compiled() -> Path:
    """Return the program; skip the test where Debian's libmodbus-dev or gcc is not installed."""
    if shutil.which("gcc") is None or not Path("/usr/include/modbus/modbus.h").exists():
        pytest.skip("needs gcc and libmodbus-dev: tests/run.sh installs them")
    program = Path(tempfile.mkdtemp(prefix="plantview-peer-")) / "registers"
    subprocess.run(
        ["gcc", "-O2", "-Wall", "-Werror", "-I/usr/include/modbus", "-o", str(program), str(SOURCE), "-lmodbus"],
        check=True,
    )
    return program


class LibModbus:
    """One running server; the words after the port are passed on."""

    def __init__(self, port: int, *words: str) -> None:
        self._port, self._words = port, words
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        self._process = await asyncio.create_subprocess_exec(
            str(compiled()),
            str(self._port),
            *self._words,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
        )
        await self._says(b"ready")

    async def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            await self._process.wait()
            self._process = None

    async def put(self, address: int, value: int) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(f"{address} {value}\n".encode())
        await self._says(b"set")

    async def _says(self, word: bytes) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        async with asyncio.timeout(5):
            assert (await self._process.stdout.readline()).strip() == word
