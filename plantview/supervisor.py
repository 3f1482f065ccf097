"""Starts the processes of one plant in order, restarts what falls, stops them in order.

Each process stands alone: when the web process falls, polling goes on, and the other way round.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from plantview.config.order import Order
from plantview.errors import StartRefused
from plantview.process import EXIT_REFUSED

MODULES: Final = {"field": "plantview.service", "simulator": "plantview.service", "web": "plantview.web"}
START_REAL_S_MAX: Final = 30.0
STOP_REAL_S_MAX: Final = 0.6
"""Per process; three processes stop within the two seconds that Ctrl-C may take."""
BACK_OFF_REAL_S: Final = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0)
STEADY_REAL_S: Final = 60.0
"""A process that ran so long is restarted at once when it falls."""


@dataclass
class Child:
    """One process and how it fares."""

    order: Order
    ready: asyncio.Event = field(default_factory=asyncio.Event)
    refusal: str = ""
    process: asyncio.subprocess.Process | None = None
    falls: int = 0

    @property
    def role(self) -> str:
        """Return what the process is for."""
        return self.order.role


class Supervisor:
    """Owns the processes; tells the person what happens in one sentence each."""

    def __init__(self, orders: Sequence[Order], tell: Callable[[str], None]) -> None:
        self.children = [Child(order) for order in orders]
        self._tell = tell
        self._stop = asyncio.Event()

    async def run(self, on_ready: Callable[[], None]) -> None:
        """Start everything, keep it running until SIGINT or SIGTERM, stop it in reverse order."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self._stop.set)
        keepers: list[asyncio.Task[None]] = []
        try:
            for child in self.children:
                keepers.append(asyncio.create_task(self._keep(child), name=child.role))
                await self._until_ready(child)
                if self._stop.is_set():
                    return
            on_ready()
            await self._stop.wait()
        finally:
            self._stop.set()
            for child, keeper in zip(reversed(self.children[: len(keepers)]), reversed(keepers), strict=True):
                await self._end(child)
                keeper.cancel()
                await asyncio.gather(keeper, return_exceptions=True)

    async def _until_ready(self, child: Child) -> None:
        waits = [asyncio.create_task(child.ready.wait()), asyncio.create_task(self._stop.wait())]
        try:
            async with asyncio.timeout(START_REAL_S_MAX):
                await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        except TimeoutError:
            raise StartRefused(
                f"the {child.role} process was not ready within {START_REAL_S_MAX:g} s; see {self._log_of(child)}"
            ) from None
        finally:
            for wait in waits:
                wait.cancel()
        if child.refusal:
            raise StartRefused(child.refusal)

    async def _keep(self, child: Child) -> None:
        loop = asyncio.get_running_loop()
        while not self._stop.is_set():
            started = loop.time()
            code = await self._run_once(child)
            if self._stop.is_set():
                return
            if code == EXIT_REFUSED and child.refusal and not child.falls:
                child.ready.set()
                return
            child.falls = 1 if loop.time() - started > STEADY_REAL_S else child.falls + 1
            wait_s = BACK_OFF_REAL_S[min(child.falls, len(BACK_OFF_REAL_S)) - 1]
            self._tell(
                f"the {child.role} process ended (exit {code}); starting it again in {wait_s:g} s; see {self._log_of(child)}"
            )
            await asyncio.sleep(wait_s)

    def _log_of(self, child: Child) -> Path:
        return Path(child.order.data) / "logs" / f"{child.role}.log"

    async def _run_once(self, child: Child) -> int:
        errors = Path(child.order.data) / "logs" / f"{child.role}.err"
        errors.parent.mkdir(parents=True, exist_ok=True)
        with errors.open("ab") as stderr:
            # a session of its own: Ctrl-C reaches the supervisor alone, which then stops in order;
            # the pipe on standard input ends with the supervisor, and the child with the pipe
            child.process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                MODULES[child.role],
                child.order.text(),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=stderr,
                start_new_session=True,
            )
        lines = child.process.stdout
        while lines is not None and (line := await lines.readline()):
            self._heard(child, line)
        return await child.process.wait()

    def _heard(self, child: Child, line: bytes) -> None:
        try:
            said: dict[str, Any] = json.loads(line)
        except ValueError:
            return
        if "ready" in said:
            child.ready.set()
        child.refusal = str(said.get("refused", ""))

    async def _end(self, child: Child) -> None:
        process = child.process
        if process is None or process.returncode is not None:
            return
        process.terminate()
        try:
            async with asyncio.timeout(STOP_REAL_S_MAX):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()
