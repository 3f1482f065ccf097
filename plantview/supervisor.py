"""Starts the processes of one plant in order, restarts what falls, stops them in order.

Each process stands alone: when the web process falls, polling goes on, and the other way round.
SIGHUP takes over a changed plant description: checked whole first; if it cannot be started, the old one goes on.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from plantview.config.order import Order
from plantview.errors import ConfigError, StartRefused
from plantview.process import EXIT_REFUSED

MODULES: Final = {"field": "plantview.service", "simulator": "plantview.service", "web": "plantview.web"}
START_REAL_S_MAX: Final = 30.0
STOP_REAL_S_MAX: Final = 0.6
"""Per process; three processes stop within the two seconds that Ctrl-C may take."""
FIELD_STOP_REAL_S_MAX: Final = 5.0
"""Where overrides are held, the field process releases them first; it stops at once where there are none."""
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
    renewed: bool = False
    """It was ended in order to start again at once with another order."""

    @property
    def role(self) -> str:
        """Return what the process is for."""
        return self.order.role


@dataclass(frozen=True, slots=True)
class Renewal:
    """How a changed plant description is taken over."""

    orders: Callable[[], Sequence[Order]]
    """Return new orders, one per process in the same sequence; ConfigError or StartRefused if it is not right;
    nothing if nothing has changed."""
    told: Callable[[Sequence[str]], None]
    """Is told of the problems for which the old one goes on; none if the new one was taken."""


class Supervisor:
    """Owns the processes; tells the person what happens in one sentence each."""

    def __init__(self, orders: Sequence[Order], tell: Callable[[str], None], renewal: Renewal | None = None) -> None:
        self.children = [Child(order) for order in orders]
        self._tell, self._renewal = tell, renewal
        self._stop, self._wanted = asyncio.Event(), asyncio.Event()
        self._started = False
        self._has_terminal = not _terminal_gone()

    async def run(self, on_ready: Callable[[], None]) -> None:
        """Start everything, keep it running until SIGINT or SIGTERM, stop it in reverse order."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self._stop.set)
        loop.add_signal_handler(signal.SIGHUP, self._hung_up)
        keepers: list[asyncio.Task[None]] = []
        try:
            for child in self.children:
                keepers.append(asyncio.create_task(self._keep(child), name=child.role))
                await self._until_ready(child)
                if self._stop.is_set():
                    return
            self._started = True
            on_ready()
            await self._renew_until_stopped()
        finally:
            self._stop.set()
            for child, keeper in zip(reversed(self.children[: len(keepers)]), reversed(keepers), strict=True):
                await self._end(child)
                keeper.cancel()
                await asyncio.gather(keeper, return_exceptions=True)

    def _hung_up(self) -> None:
        """Reload; or stop, if the signal came because the terminal was closed."""
        if self._renewal is None or (self._has_terminal and _terminal_gone()):
            self._stop.set()
        else:
            self._wanted.set()

    async def _renew_until_stopped(self) -> None:
        while not self._stop.is_set():
            waits = [asyncio.create_task(event.wait()) for event in (self._stop, self._wanted)]
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            for wait in waits:
                wait.cancel()
            if self._renewal is not None and self._wanted.is_set() and not self._stop.is_set():
                self._wanted.clear()
                await self._renew(self._renewal)

    async def _renew(self, renewal: Renewal) -> None:
        before = [child.order for child in self.children]
        problems: list[str] = []
        try:
            orders = await asyncio.to_thread(renewal.orders)
            await self._follow(orders)
        except (ConfigError, StartRefused) as error:
            problems = str(error).splitlines()
            await self._follow_old(before)
        for problem in problems:
            self._tell(f"not taken over: {problem}")
        self._tell("the plant goes on as it was" if problems else "the plant description is taken over")
        renewal.told(problems)

    async def _follow(self, orders: Sequence[Order]) -> None:
        """Let every process whose order is another one start again, each before the next."""
        for child, order in zip(self.children, orders, strict=False):
            if child.order == order or self._stop.is_set():
                continue
            child.order, child.refusal, child.falls = order, "", 0
            child.renewed = child.process is not None and child.process.returncode is None
            child.ready.clear()
            await self._end(child)
            await self._until_ready(child)

    async def _follow_old(self, orders: Sequence[Order]) -> None:
        try:
            await self._follow(orders)
        except StartRefused as error:
            # it ran a moment ago: its keeper goes on trying
            self._tell(str(error))

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
            if child.renewed:
                child.renewed = False
                continue
            if code == EXIT_REFUSED and child.refusal:
                child.ready.set()
                if not self._started and not child.falls:
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
            async with asyncio.timeout(FIELD_STOP_REAL_S_MAX if child.role == "field" else STOP_REAL_S_MAX):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()


def _terminal_gone() -> bool:
    """Whether this process has no controlling terminal (any more)."""
    try:
        os.close(os.open("/dev/tty", os.O_RDONLY | os.O_NOCTTY))
    except OSError:
        return True
    return False
