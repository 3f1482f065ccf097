"""Every public calculation says what comes out, in which unit, when it refuses, and where it is from."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from plantview import calcs

SECTIONS = ("Shape", "Parameters", "Returns", "Errors", "Source")
MODULES: list[ModuleType] = [
    importlib.import_module(f"plantview.calcs.{info.name}")
    for info in pkgutil.iter_modules(calcs.__path__)
    if not info.name.startswith("_")
]
PUBLIC: list[Callable[..., object]] = [
    member
    for module in MODULES
    for name, member in inspect.getmembers(module, inspect.isfunction)
    if member.__module__ == module.__name__ and not name.startswith("_")
]
TESTS = Path(__file__).resolve().parents[1]


def names(function: Callable[..., object]) -> str:
    return f"{function.__module__.rpartition('.')[2]}.{function.__name__}"


def section(function: Callable[..., object], name: str) -> str:
    """Return the text of one section of a docstring."""
    text = inspect.getdoc(function) or ""
    found = re.search(rf"^{name}\n((?: .*\n|\n)+)", text + "\n", re.MULTILINE)
    return found.group(1) if found else ""


def test_all_rooms_of_the_trade_were_found() -> None:
    assert len(PUBLIC) >= 30
    assert {module.__name__.rpartition(".")[2] for module in MODULES} >= {
        "air",
        "approach",
        "efficiency",
        "flow",
        "heat_balance",
        "load",
        "pump",
        "refrigerant",
        "tower",
        "water",
    }


@pytest.mark.parametrize("function", PUBLIC, ids=names)
def test_every_calc_has_the_sections_in_order(function: Callable[..., object]) -> None:
    text = inspect.getdoc(function) or ""
    places = [text.find(f"\n{name}\n") for name in SECTIONS]
    assert min(places) > 0
    assert places == sorted(places)
    assert ">>> " in text


@pytest.mark.parametrize("function", PUBLIC, ids=names)
def test_every_parameter_and_the_result_have_a_unit(function: Callable[..., object]) -> None:
    parameters = section(function, "Parameters")
    for name in inspect.signature(function).parameters:
        entry = re.search(rf"^    {name}\s+((?:.*\n)(?:     +.*\n)*)", parameters, re.MULTILINE)
        assert entry, f"{name} is not described"
        assert re.search(r"\[[^\]]+\]", entry.group(1)), f"{name} has no [unit]"
    assert re.search(r"\[[^\]]+\]", section(function, "Returns"))


@pytest.mark.parametrize("function", PUBLIC, ids=names)
def test_every_calc_names_a_test_that_exists_and_speaks_of_it(function: Callable[..., object]) -> None:
    named = re.findall(r"tests/(\w+/test_\w+\.py)", inspect.getdoc(function) or "")
    assert named
    for path in named:
        assert function.__name__ in (TESTS / path).read_text(encoding="utf-8"), f"{path} never calls it"


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_examples_give_what_they_say(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0
