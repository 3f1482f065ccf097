"""A server in another language: it says ``ready``, takes ``NUMBER VALUE`` per line, and answers each with ``set``."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Sequence


class Program:
    """One running server, started by a command line."""

    def __init__(self, command: Sequence[str], **environment: str) -> None:
        self._command, self._environment = tuple(command), environment
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        self._process = await asyncio.create_subprocess_exec(
            *self._command,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            env={**os.environ, **self._environment},
        )
        await self._says(b"ready")

    async def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            await self._process.wait()
            self._process = None

    async def put(self, number: int, value: float) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(f"{number} {value}\n".encode())
        await self._says(b"set")

    async def _says(self, word: bytes) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        async with asyncio.timeout(10):
            assert (await self._process.stdout.readline()).strip() == word
