"""A first look at mutants inside one process that has loaded and collected the tests already.

A child per mutant swaps the changed code into the loaded modules and runs the tests, the one that
found the last mutant first. What was worked out while the tests were loaded stays as it was, so
only what is found here counts: a mutant that survives is tried again in a process of its own.
"""

from __future__ import annotations

import enum
import json
import os
import signal
import sys
import time
import types
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest
from typing import Final, Protocol

import pytest

SECONDS_MAX: Final = 60
"""Of processor time for the tests of one mutant; one that is cut off counts as not found here."""


class Changed(Protocol):
    """What is asked of a mutant."""

    @property
    def module(self) -> str:
        """Return the module that it changes."""

    @property
    def source(self) -> str:
        """Return the whole changed module."""


@dataclass
class FirstLook:
    """A plugin that runs the collected tests once for each mutant, in place of once."""

    package: str
    mutants: Sequence[Changed]
    files_of: Mapping[str, Sequence[str]]
    """Module -> its test files, the most likely one first."""
    told: int
    """Where the place of a mutant that was found is written, four bytes each."""
    _order: dict[str, list[pytest.Item]] = field(default_factory=dict)

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run in place of the usual loop."""
        for number, mutant in enumerate(self.mutants):
            items = self._items(session, mutant.module)
            found, took_s = self._tried(session, mutant, items)
            if found:
                os.write(self.told, number.to_bytes(4, "big"))
                items.insert(0, items.pop(len(took_s) - 1))
            elif len(took_s) == len(items):
                likely = self.files_of[mutant.module][0]
                rows = [
                    (_file(item) != likely, took, place)
                    for place, (item, took) in enumerate(zip(items, took_s, strict=True))
                ]
                items[:] = [items[place] for _, _, place in sorted(rows)]
        return True

    def _items(self, session: pytest.Session, module: str) -> list[pytest.Item]:
        if module not in self._order:
            files = self.files_of[module]
            self._order[module] = [each for each in session.items if _file(each) in files]
        return self._order[module]

    def _tried(
        self, session: pytest.Session, mutant: Changed, items: Sequence[pytest.Item]
    ) -> tuple[bool, list[float]]:
        """Return whether a test found the mutant, and how long each test took up to that one."""
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                signal.setitimer(signal.ITIMER_PROF, SECONDS_MAX)
                module = sys.modules[f"{self.package}.{mutant.module}"]
                os.write(writing, json.dumps(_tried(session, module, mutant.source, items)).encode())
            finally:
                os._exit(0)  # nothing of the parent's may run in the child
        os.close(writing)
        with os.fdopen(reading, "rb") as told:
            said = told.read()
        os.waitpid(child, 0)
        found, took_s = json.loads(said or "[false, []]")
        return bool(found), list(took_s)


def _file(item: pytest.Item) -> str:
    return item.nodeid.partition("::")[0]


def _tried(
    session: pytest.Session, module: types.ModuleType, source: str, items: Sequence[pytest.Item]
) -> tuple[bool, list[float]]:
    took_s: list[float] = []
    try:
        swap(module, source)
    except Exception:  # noqa: BLE001 - the border: whatever a changed module does while it loads gives it away
        return True, [0.0]
    for item, following in zip_longest(items, items[1:]):
        began_s = time.perf_counter()
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        took_s.append(round(time.perf_counter() - began_s, 4))
        if session.testsfailed:
            return True, took_s
    return False, took_s


def swap(module: types.ModuleType, source: str) -> None:
    """Put changed code in the place of a loaded module's: its functions keep who they are, its data is handed on."""
    fresh = types.ModuleType(module.__name__)
    exec(compile(source, str(module.__file__), "exec"), vars(fresh))  # noqa: S102 - the mutant that is tried
    users = [each for name, each in sys.modules.items() if name.partition(".")[0] in ("plantview", "tests")]
    for name, new in list(vars(fresh).items()):
        old = vars(module).get(name)
        if name.startswith("__") or new is old:
            continue
        if not _become(old, new):
            for user in users:
                if vars(user).get(name) is old:
                    setattr(user, name, new)


def _become(old: object, new: object) -> bool:
    """Give an old function or class the new code; return whether it is one."""
    if isinstance(old, types.FunctionType) and isinstance(new, types.FunctionType):
        old.__code__, old.__defaults__, old.__kwdefaults__ = new.__code__, new.__defaults__, new.__kwdefaults__
    elif isinstance(old, property) and isinstance(new, property):
        _become(old.fget, new.fget)
    elif hasattr(old, "cache_clear") and hasattr(old, "__wrapped__") and hasattr(new, "__wrapped__"):
        old.cache_clear()
        _become(old.__wrapped__, new.__wrapped__)
    elif isinstance(old, type) and isinstance(new, type) and not issubclass(new, enum.Enum):
        for name, part in vars(new).items():
            _become(vars(old).get(name), part)
    else:
        return False
    return True


def first_look(
    package: str, mutants: Sequence[Changed], files_of: Mapping[str, Sequence[str]], options: Iterable[str]
) -> set[int]:
    """Return the places of the mutants that a test finds in place."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            plugin = FirstLook(package, mutants, files_of, writing)
            files = sorted({name for names in files_of.values() for name in names})
            pytest.main([*options, *files], plugins=[plugin])
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as told:
        rows = told.read()
    os.waitpid(child, 0)
    return {int.from_bytes(rows[at : at + 4], "big") for at in range(0, len(rows), 4)}
