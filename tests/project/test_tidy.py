"""What every module of plantview keeps to; old breaches may shrink, none may be added."""

from __future__ import annotations

import ast
import re
from typing import TYPE_CHECKING

from tests.project.sources import Source, sources

if TYPE_CHECKING:
    from collections.abc import Iterator

MODULE_LINES_MAX = 400
FUNCTION_LINES_MAX = 70

LONG_MODULES: dict[str, int] = {}
"""Modules that are longer, with the length they may not exceed."""
LONG_FUNCTIONS: dict[str, int] = {}
"""The same for functions, as ``module.function``."""

MAY_ASK_THE_CLOCK = {"plantview.clock"}
MAY_DRAW_LOTS = "plantview.simulator"
MAY_PRINT = ("plantview.cli", "plantview.process")

MAY_CATCH_EVERYTHING = {
    "plantview.channel.server": "a faulty question must not end the connection of every viewer",
    "plantview.drivers.bacnet_network": "what comes unasked must not end the socket of every device",
    "plantview.polling.line": "one faulty station must not end its line",
    "plantview.service.command_asks": "commands that fail must not end monitoring; overrides are on disk",
    "plantview.service.startup_asks": "a fault of the start-up notes must not stop polling",
    "plantview.process": "the last border of a process: it is logged and the supervisor starts again",
}
"""Module -> why a programming mistake must not stop the rest there."""

FORBIDDEN_NAMES = ("tag", "asset", "node", "slave", "metric", "widget", "manager", "handler", "helper", "util", "utils")
"""Each thing has one name here, and these are the names of other things (DEVELOPERS.md, vocabulary)."""
STANDARD_NAMES = {
    "plantview.drivers.bacnet_": {"tag"},
    "plantview.simulator.devices.bacnet_": {"tag"},
}
"""BACnet's encoding is made of tags: there the word is the standard's own (ANSI/ASHRAE 135, clause 20.2)."""


def test_there_are_modules_to_look_at() -> None:
    assert len(sources()) > 50


def test_a_module_stays_short_enough_to_be_read_at_once() -> None:
    lengths = {source.module: len(source.text.splitlines()) for source in sources()}
    assert {name: n for name, n in lengths.items() if n > LONG_MODULES.get(name, MODULE_LINES_MAX)} == {}
    assert {name for name in LONG_MODULES if lengths.get(name, 0) <= MODULE_LINES_MAX} == set(), "no longer needed here"


def test_a_function_stays_short_enough_to_be_seen_at_once() -> None:
    lengths = {f"{source.module}.{item.name}": code_lines(item) for source in sources() for item in functions(source)}
    assert {name: n for name, n in lengths.items() if n > LONG_FUNCTIONS.get(name, FUNCTION_LINES_MAX)} == {}
    assert {name for name in LONG_FUNCTIONS if lengths.get(name, 0) <= FUNCTION_LINES_MAX} == set(), (
        "no longer needed here"
    )


def test_a_module_says_what_it_is_for() -> None:
    assert [source.module for source in sources() if not ast.get_docstring(source.tree)] == []


def test_only_the_clock_asks_the_computer_for_the_time() -> None:
    breaches = []
    for source in sources():
        if source.module in MAY_ASK_THE_CLOCK:
            continue
        asked = {name for name in source.imports() if name.split(".")[0] == "time"}
        asked |= {ast.unparse(item.func) for item in calls(source) if attribute(item) in {"now", "utcnow", "today"}}
        breaches += [f"{source.module}: {name}" for name in sorted(asked)]
    assert breaches == []


def test_chance_is_for_the_simulated_plant_only_and_seeded() -> None:
    breaches = []
    for source in sources():
        draws = {name for name in source.imports() if name.split(".")[0] == "random" or name.startswith("numpy.random")}
        if draws and not source.module.startswith(MAY_DRAW_LOTS):
            breaches.append(f"{source.module} imports {draws}")
        for item in calls(source):
            if attribute(item) in {"Random", "default_rng"} and not (item.args or item.keywords):
                breaches.append(f"{source.module}:{item.lineno} has no seed")
            if ast.unparse(item.func).startswith("random.") and attribute(item) != "Random":
                breaches.append(f"{source.module}:{item.lineno} draws from the generator that everybody shares")
    assert breaches == []


def test_only_the_command_line_prints() -> None:
    prints = [source.module for source in sources() for item in calls(source) if ast.unparse(item.func) == "print"]
    assert [module for module in prints if not module.startswith(MAY_PRINT)] == []


def test_everything_is_caught_at_named_borders_only() -> None:
    wide = {
        source.module
        for source in sources()
        for item in catches(source, "Exception", "BaseException")
        if swallows(item)
    }
    assert wide == set(MAY_CATCH_EVERYTHING)


def test_cancellation_is_never_swallowed_unasked() -> None:
    swallowed = [
        f"{source.module}:{item.lineno}"
        for source in sources()
        for item in catches(source, "CancelledError")
        if swallows(item)
    ]
    assert swallowed == []


def test_things_are_called_by_their_one_name() -> None:
    breaches = []
    for source in sources():
        allowed: set[str] = set().union(
            *(words for start, words in STANDARD_NAMES.items() if source.module.startswith(start))
        )
        forbidden = set(FORBIDDEN_NAMES) - allowed
        names = given_names(source.tree) | {source.path.stem}
        breaches += [f"{source.module}: {name}" for name in sorted(names) if words_of(name) & forbidden]
    assert breaches == []


def test_protocol_libraries_and_write_modules_have_no_other_importer() -> None:
    breaches = []
    for source in sources():
        for name in source.imports():
            library = name.split(".")[0]
            if library in {"BAC0", "bacpypes3", "pymodbus"} and source.room not in {"drivers", "simulator"}:
                breaches.append(f"{source.module} imports {name}")
            if re.search(r"_write(\.|$)", name) and source.room != "commands":
                breaches.append(f"{source.module} imports {name}")
    assert breaches == []


def functions(source: Source) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    yield from (item for item in ast.walk(source.tree) if isinstance(item, ast.FunctionDef | ast.AsyncFunctionDef))


def code_lines(item: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    first = item.body[0]
    docstring = (first.end_lineno or first.lineno) - first.lineno + 1 if ast.get_docstring(item) else 0
    return (item.end_lineno or item.lineno) - item.lineno + 1 - docstring


def calls(source: Source) -> Iterator[ast.Call]:
    yield from (item for item in ast.walk(source.tree) if isinstance(item, ast.Call))


def attribute(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def catches(source: Source, *errors: str) -> Iterator[ast.ExceptHandler]:
    for item in ast.walk(source.tree):
        if isinstance(item, ast.ExceptHandler):
            caught = ast.unparse(item.type) if item.type is not None else "BaseException"
            if set(re.findall(r"\w+", caught)) & set(errors):
                yield item


def swallows(item: ast.ExceptHandler) -> bool:
    return not any(isinstance(inner, ast.Raise) for inner in ast.walk(item))


def words_of(name: str) -> set[str]:
    """Return the words of a name, ``FooBar`` and ``foo_bars`` alike, in lower case and in the singular."""
    words = {word.lower() for word in re.findall(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])", name)}
    return words | {word.removesuffix("s") for word in words}


def given_names(tree: ast.Module) -> set[str]:
    """Return the names that a module gives to classes, functions, arguments and variables."""
    names: set[str] = set()
    for item in ast.walk(tree):
        if isinstance(item, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            names.add(item.name)
        elif isinstance(item, ast.arg):
            names.add(item.arg)
        elif isinstance(item, ast.Name) and isinstance(item.ctx, ast.Store):
            names.add(item.id)
    return names
