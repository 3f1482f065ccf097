"""The libmodbus server, compiled once per session from ``registers.c``."""

from __future__ import annotations

import functools
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest
from typing_extensions import override

from tests.interop.peers.program import Program

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


class LibModbus(Program):
    """One running server; the words after the port are passed on."""

    def __init__(self, port: int, *words: str) -> None:
        super().__init__((str(compiled()), str(port), *words))

    @override
    async def put(self, number: int, value: float) -> None:
        await super().put(number, int(value))
