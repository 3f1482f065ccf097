"""Do the tests bite? Mutants of plantview/calcs, each run against the tests of the calculations.

A mutant is one change in a copy of the package in a temporary folder, never in the checkout:
an operator turned, a comparison turned or widened, two arguments exchanged, a sign lost, an "and"
for an "or", or a number (a default too) moved by 1 % or ten units of its last printed digit,
whichever is more.

python tests/bench/mutate.py            a sample, about a minute
python tests/bench/mutate.py --full     every mutant
python tests/bench/mutate.py --only flow,water
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import re
import shutil
import sys
import tempfile
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.mutants_in_place import first_look  # noqa: E402 - the folder is no installed package
from tests.bench.mutants_unseen import REASONS  # noqa: E402
from tests.bench.rows import Figure, heading  # noqa: E402

CALCS = ROOT / "plantview" / "calcs"
GOAL = 0.95
SECONDS_MAX = 60
WALL_SECONDS_MAX = 900
TESTS = ("tests/standards", "tests/unit")
NOT_OURS = ("test_simulator", "test_trade_facts")
BROAD: Final[dict[str, str]] = {
    "test_calcs_limits.py": "",
    "test_calcs_shapes.py": "",
    "test_calcs_properties.py": "",
    "test_calcs_docstrings.py": " ".join(path.stem for path in CALCS.glob("*.py")),
    "test_check_values.py": (ROOT / "tests/standards/check_values.py").read_text(encoding="utf-8"),
}
"""Tests of many modules -> the text that names them; empty: their own."""
OPTIONS = (
    "-x", "-q", "--assert=plain", "-o", f"timeout={WALL_SECONDS_MAX}", "-p", "no:cacheprovider", "-p", "no:dash",
    "--noconftest", "-p", "tests.bench.plants_for_mutants",
    # these read what is imported and what is written, and nothing of what is calculated
    "--deselect", "tests/standards/test_check_values.py::test_the_comparison_of_libraries",
    "--deselect", "tests/standards/test_check_values.py::test_no_implementation_computes",
    "--deselect", "tests/unit/test_calcs_docstrings.py::test_every",
)  # fmt: skip
SYMMETRIC = ("min", "max", "np.minimum", "np.maximum")
"""The smallest and the largest of two are the same in either order: no change at all."""
_OPERATORS: dict[type, tuple[type, ...]] = {
    ast.Add: (ast.Sub,), ast.Sub: (ast.Add,), ast.Mult: (ast.Div,), ast.Div: (ast.Mult,), ast.Pow: (ast.Mult,),
}  # fmt: skip
_COMPARISONS: dict[type, tuple[type, ...]] = {
    ast.Lt: (ast.LtE, ast.Gt), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.Lt), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """One changed module."""

    module: str
    line: int
    what: str
    source: str

    @property
    def name(self) -> str:
        """Return where and what was changed."""
        return f"{self.module}:{self.line} {self.what}"


def mutants(module: str) -> Iterator[Mutant]:
    """Yield every mutant of a module."""
    text = (CALCS / f"{module}.py").read_text(encoding="utf-8")
    tree = ast.parse(text)
    places = [item for item in _running(tree) if _is_code(item)]
    for number, item in enumerate(places):
        for words, change in _changes(item, text):
            again = ast.parse(text)
            target = [each for each in _running(again) if _is_code(each)][number]
            change(target)
            yield Mutant(module, getattr(item, "lineno", 0), words, ast.unparse(ast.fix_missing_locations(again)))


def _running(tree: ast.Module) -> Iterator[ast.AST]:
    """Yield every part of the tree but what only a type checker reads."""
    for statement in tree.body:
        if not (isinstance(statement, ast.If) and ast.unparse(statement.test) == "TYPE_CHECKING"):
            yield from ast.walk(statement)


def _is_code(item: ast.AST) -> bool:
    """Return whether a part of the tree can be changed; annotations and texts cannot."""
    return isinstance(item, ast.BinOp | ast.Compare | ast.Call | ast.UnaryOp | ast.Constant | ast.BoolOp)


def _changes(item: ast.AST, text: str) -> Iterator[tuple[str, Callable[[ast.AST], None]]]:
    if isinstance(item, ast.BinOp):
        for other in _OPERATORS.get(type(item.op), ()):
            yield f"{ast.unparse(item)} with {other.__name__}", _setter("op", other())
    elif isinstance(item, ast.Compare) and len(item.ops) == 1:
        for other in _COMPARISONS.get(type(item.ops[0]), ()):
            yield f"{ast.unparse(item)} with {other.__name__}", _setter("ops", [other()])
    elif isinstance(item, ast.UnaryOp) and isinstance(item.op, ast.USub) and not isinstance(item.operand, ast.Constant):
        yield f"{ast.unparse(item)} without its sign", _setter("op", ast.UAdd())
    elif (
        isinstance(item, ast.Call)
        and len(item.args) >= 2
        and not any(isinstance(each, ast.Starred) for each in item.args[:2])
    ):
        if ast.unparse(item.func) not in SYMMETRIC and ast.unparse(item.args[0]) != ast.unparse(item.args[1]):
            yield f"{ast.unparse(item)} with its first two arguments exchanged", _exchange
    elif isinstance(item, ast.BoolOp):
        other = ast.Or if isinstance(item.op, ast.And) else ast.And
        yield f"{ast.unparse(item)} with {other.__name__}", _setter("op", other())
    elif isinstance(item, ast.Constant) and type(item.value) in (int, float):
        yield from _moved(item, text)


def _moved(item: ast.Constant, text: str) -> Iterator[tuple[str, Callable[[ast.AST], None]]]:
    printed = ast.get_source_segment(text, item) or str(item.value)
    value = item.value
    assert isinstance(value, int | float)
    if isinstance(value, int):
        yield f"{printed} as {value + 1}", _setter("value", value + 1)
        return
    mantissa, _, exponent = printed.lower().replace("_", "").partition("e")
    decimals = len(mantissa.partition(".")[2])
    last = 10.0 ** (int(exponent or 0) - decimals)
    step = max(abs(value) * 0.01, 10.0 * last) if decimals > 1 or exponent else max(abs(value) * 0.01, last)
    yield f"{printed} as {value + step:.10g}", _setter("value", value + step)


def _setter(field: str, value: object) -> Callable[[ast.AST], None]:
    return lambda item: setattr(item, field, copy.deepcopy(value))


def _exchange(item: ast.AST) -> None:
    assert isinstance(item, ast.Call)
    item.args[0], item.args[1] = item.args[1], item.args[0]


def unchanged(room: Path, module: str) -> Mutant:
    """Return a module as ``ast.unparse`` writes it, on line 0."""
    return Mutant(module, 0, "nothing", ast.unparse(ast.parse((room / f"{module}.py").read_text(encoding="utf-8"))))


def tests_of(module: str) -> list[str]:
    """Return the test files that speak of a module, straight or through the modules that use it."""
    users = {module}
    for _ in range(4):
        for path in CALCS.glob("*.py"):
            source = path.read_text(encoding="utf-8")
            if any(f"plantview.calcs.{each} import" in source for each in users):
                users.add(path.stem)
    found = []
    for folder in TESTS:
        for path in sorted((ROOT / folder).glob("test_*.py")):
            source = path.read_text(encoding="utf-8")
            if path.name in BROAD:
                ours = any(re.search(rf"\b{each}\b", BROAD[path.name] or source) for each in users)
            else:
                named = any(f"calcs.{each}" in source or f"calcs import {each}" in source for each in users)
                ours = named and (folder == "tests/standards" or path.name.startswith("test_calcs"))
            slow = path.name == "test_uncertainty.py" and module not in ("uncertainty", "_numeric")
            if ours and not slow and not path.name.startswith(NOT_OURS):
                found.append(str(path.relative_to(ROOT)))
    found.sort(
        key=lambda name: (Path(name).stem != f"test_{module.lstrip('_')}", "shapes" in name, "properties" in name)
    )
    return found if module != "_numeric" else [name for name in found if _tells_of_numbers(name)]


_OF_NUMBERS: Final = {
    "test_calcs_numeric",
    "test_calcs_limits",
    "test_calcs_shapes",
    "test_exchange",
    "test_water",
    "test_air",
    "test_flow",
}


def _tells_of_numbers(name: str) -> bool:
    """Return whether a test file looks at rows, gaps and refusals, which are what ``_numeric`` is about."""
    return Path(name).stem in _OF_NUMBERS


class Trial:
    """A copy of the package in which one module of a room at a time is a mutant; children run the tests against it."""

    def __init__(self, folder: Path, room: Path, tests: Callable[[str], Sequence[str]]) -> None:
        self._copy = folder / "plantview"
        shutil.copytree(ROOT / "plantview", self._copy, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("tests", "config", "assets", "pyproject.toml"):
            (folder / name).symlink_to(ROOT / name)
        self._folder, self._room, self._tests = folder, room, tests

    def killed(self, mutant: Mutant) -> bool:
        """Return whether a test fails, hangs, or the module does not even load, with the mutant in place."""
        place = self._copy / self._room.name / f"{mutant.module}.py"
        before = place.read_text(encoding="utf-8")
        place.write_text(mutant.source, encoding="utf-8")
        try:
            return self._run(self._tests(mutant.module)) != 0
        finally:
            place.write_text(before, encoding="utf-8")

    def sound(self, module: str) -> bool:
        """Return whether the tests pass with the module as ``ast.unparse`` writes it, unchanged."""
        return not self.killed(unchanged(self._room, module))

    def _run(self, files: Sequence[str]) -> int:
        child = os.fork()
        if child == 0:
            code = 99
            try:
                code = self._tested(files)
            except BaseException:  # noqa: BLE001 - the child's last border: it is written down and it ends
                import traceback

                traceback.print_exc()
            finally:
                os._exit(code)  # nothing of the parent's may run in the child
        _, status = os.waitpid(child, 0)
        return os.waitstatus_to_exitcode(status)

    def _tested(self, files: Sequence[str]) -> int:
        """Run in the child: the libraries are loaded already, the package comes from the copy."""
        import signal

        import pytest

        # processor time: on a busy machine a deadline by the wall would count survivors as found
        signal.setitimer(signal.ITIMER_PROF, SECONDS_MAX)
        signal.alarm(WALL_SECONDS_MAX)
        quiet = os.open(self._folder / "said", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        os.chdir(self._folder)
        for name in [each for each in sys.modules if each.partition(".")[0] in ("plantview", "tests")]:
            del sys.modules[name]
        sys.path[:] = [str(self._folder), *(each for each in sys.path if Path(each or ".").resolve() != ROOT)]
        sys.dont_write_bytecode = True
        return int(pytest.main([*OPTIONS, "--rootdir", str(self._folder), *files]))


def preload() -> None:
    """Load what every child needs, once."""
    import CoolProp.CoolProp
    import hypothesis
    import iapws
    import numpy as np
    import pandas as pd
    import psychrolib
    import pytest
    import scipy.stats  # type: ignore[import-untyped]

    for library in (CoolProp.CoolProp, hypothesis, iapws, np, pd, psychrolib, pytest, scipy.stats):
        assert library.__name__ in sys.modules


@dataclass(frozen=True, slots=True)
class Bench:
    """What is changed, by whose tests it should be found, and what is known about those that no test can find."""

    room: Path
    mutants: Callable[[str], Iterator[Mutant]]
    tests: Callable[[str], Sequence[str]]
    preload: Callable[[], None]
    reasons: Mapping[str, str]
    sample: int
    seed: int
    left_out: Collection[str] = ("__init__",)
    sound: str = ""
    """The module whose tests are tried without any mutant; empty tries each one that is changed."""
    in_place: Collection[str] = ()
    """Options of a first look in one process; without any each mutant has its own from the start."""

    def reason_of(self, mutant: Mutant) -> str:
        """Return why a survivor changes nothing; empty where that was not looked into."""
        name = f"{mutant.module}:{mutant.what}"
        return next((why for start, why in self.reasons.items() if name.startswith(start)), "")

    def chosen(self, asked: argparse.Namespace) -> tuple[list[Mutant], str]:
        """Return the mutants to try, and of how many they are some."""
        present = sorted(path.stem for path in self.room.glob("*.py") if path.stem not in self.left_out)
        modules = asked.only.split(",") if asked.only else present
        every = [mutant for module in modules for mutant in self.mutants(module)]
        some = every
        if not (asked.full or asked.only):
            some = random.Random(asked.seed).sample(every, min(asked.sample, len(every)))
        return some, f"{len(some)} of {len(every)} mutants of {len(modules)} modules"

    def first_look(self, chosen: Sequence[Mutant]) -> tuple[set[int], set[str]]:
        """Return the places of the mutants found without a process of their own, and the modules sound without any."""
        if not self.in_place:
            return set(), set()
        modules = sorted({mutant.module for mutant in chosen})
        tried = [*(unchanged(self.room, module) for module in modules), *chosen]
        files = {module: self.tests(module) for module in modules}
        found = first_look(f"plantview.{self.room.name}", tried, files, self.in_place)
        sound = {module for place, module in enumerate(modules) if place not in found}
        return {place - len(modules) for place in found if tried[place].module in sound}, sound

    def trouble(self, trial: Trial, chosen: Sequence[Mutant], sound: Collection[str]) -> str:
        """Return the first module whose tests fail without any mutant; empty if there is none.

        Of modules that were sound in place one is tried in a process of its own too.
        """
        modules = sorted({mutant.module for mutant in chosen})
        doubted = [self.sound] if self.sound else [each for each in modules if each not in sound] or modules[:1]
        return next((module for module in doubted if not trial.sound(module)), "")


def run(bench: Bench, about: str | None) -> int:
    """Print every survivor by name, and the share that was found; return 0 where it reaches the goal."""
    options = argparse.ArgumentParser(description=about, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--full", action="store_true")
    options.add_argument("--only", default="", help="modules, with commas between")
    options.add_argument("--sample", type=int, default=bench.sample, help="how many mutants (default %(default)s)")
    options.add_argument("--seed", type=int, default=bench.seed)
    chosen, scope = bench.chosen(options.parse_args())
    bench.preload()
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        trial = Trial(Path(folder), bench.room, bench.tests)
        found, sound = bench.first_look(chosen)
        if module := bench.trouble(trial, chosen, sound):
            print((Path(folder) / "said").read_text(encoding="utf-8")[-3_000:])
            print(f"the tests of {module} fail without any mutant: nothing can be said                short")
            return 1
        survivors = 0
        for place, mutant in enumerate(chosen):
            if place not in found and not trial.killed(mutant):
                survivors += 1
                print(f"  survived: {mutant.name}  {bench.reason_of(mutant)}", flush=True)
    share = 1 - survivors / len(chosen)
    print(heading())
    name = f"mutants of {bench.room.name} killed"
    print(Figure(name, f"{100 * share:.1f} %", scope, f"≥ {100 * GOAL:.0f} %", share >= GOAL))
    return 0 if share >= GOAL else 1


if __name__ == "__main__":
    sys.exit(run(Bench(CALCS, mutants, tests_of, preload, REASONS, sample=60, seed=1, in_place=OPTIONS), __doc__))
