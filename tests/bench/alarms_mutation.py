"""How many small mistakes in ``plantview/alarms`` the tests find: ``python tests/bench/alarms_mutation.py [--full]``.

Each mutant changes one comparison, sum, condition, constant or answer in a copy of the package; a mutant whose tests
still pass has survived. A sample from a fixed seed by default, every mutant with ``--full``, of some modules with
``--only scan,watch``. Those whose change nobody could see are named with the reason, and count as survivors all the same.
"""

from __future__ import annotations

import ast
import copy
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.mutate import OPTIONS, Bench, Mutant, run  # noqa: E402 - the folder is no installed package

ALARMS: Final = ROOT / "plantview" / "alarms"
LEFT_OUT: Final = frozenset({"__init__", "starting_limits"})
"""Texts and data, nothing that decides."""
FIRST: Final[dict[str, str]] = {
    "advice": "figures", "amounts": "rules", "delay": "cases", "gate": "expression", "journal": "words",
    "life": "store", "names": "expression", "own": "device", "own_lives": "device", "quiet": "settled", "rows": "rules", "scan": "cases",
    "snapshot": "acts", "starting": "sheet", "watch": "losses", "watching": "rules",
}  # fmt: skip
"""Module -> the tests most likely to find a mistake in it; a module of their own name needs no row."""
REASONS: Final[dict[str, str]] = {
    "expression:self._timers - 1 as": "a number that only has to differ from every other timer's",
    "figures:False as True": "set anew by the call that begins the story",
    "gate:False as True": "set by every evaluation before anybody reads it",
    "life:False as True": "how a text is escaped on disk",
    "life:True as False": "set by every judgement before anybody reads it",
    "quiet:False as True": "only judges more often than needed; scan alone decides",
    "quiet:kept.state is State.DSUPR and": "what another alarm speaks for is active, and an active alarm never rests",
    "rows:False as True": "the row has a problem then, and its value is not used",
    "scan:False as True": "the delay was forgotten, so the shelf ends clear either way",
    "scan:life.shelf_ends_s <": "of a shelf that ends in the very moment of the start either word is true",
    "store:True as False": "two lists of one length are paired either way",
    "store:self._since_prune >=": "pruned one line later",
    "table:True as False": "the rows of the table have one length",
}
"""Survivors that change nothing a crew could see -> why, by the start of their name."""
COMPARISONS: Final[dict[type[ast.cmpop], type[ast.cmpop]]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
SUMS: Final[dict[type[ast.operator], type[ast.operator]]] = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Add}


def mutants(module: str, room: Path = ALARMS) -> Iterator[Mutant]:
    """Yield every mutant of a module."""
    tree = ast.parse((room / f"{module}.py").read_text(encoding="utf-8"))
    # frozen and slots of a dataclass decide nothing that a test of behaviour could see
    marks = {
        id(part) for item in ast.walk(tree) for mark in getattr(item, "decorator_list", ()) for part in ast.walk(mark)
    }
    for number, item in enumerate(ast.walk(tree)):
        if id(item) not in marks and _mutable(item):
            changed = copy.deepcopy(tree)
            victim = next(one for at, one in enumerate(ast.walk(changed)) if at == number)
            before = ast.unparse(victim)
            _mutate(victim)
            yield Mutant(module, getattr(item, "lineno", 0), f"{before} as {ast.unparse(victim)}", ast.unparse(changed))


def _mutable(item: ast.AST) -> bool:
    match item:
        case ast.Compare(ops=[op]):
            return type(op) in COMPARISONS
        case ast.BinOp(op=op, left=left, right=right):
            texts = any(
                isinstance(side, ast.Constant | ast.JoinedStr) and not _is_number(side) for side in (left, right)
            )
            return type(op) in SUMS and not texts
        case ast.BoolOp() | ast.Constant(value=True | False):
            return True
        case ast.UnaryOp(op=ast.Not()):
            return True
        case _:
            return False


def _is_number(item: ast.AST) -> bool:
    return isinstance(item, ast.Constant) and isinstance(item.value, int | float)


def _mutate(item: ast.AST) -> None:
    match item:
        case ast.Compare(ops=[op]):
            item.ops = [COMPARISONS[type(op)]()]
        case ast.BinOp(op=op):
            item.op = SUMS[type(op)]()
        case ast.BoolOp(op=op):
            item.op = ast.Or() if isinstance(op, ast.And) else ast.And()
        case ast.Constant(value=value):
            item.value = not value
        case ast.UnaryOp(operand=operand):
            item.op, item.operand = ast.Not(), ast.UnaryOp(ast.Not(), operand)
        case _:
            raise AssertionError(f"{type(item).__name__} is no mutable part")


def tests_of(module: str) -> list[str]:
    """Return the alarms' tests, those that speak of a module first; a life of random acts comes last."""
    first = f"test_alarm_{FIRST.get(module, module)}"
    short = [path for room in ("unit", "standards") for path in sorted((ROOT / "tests" / room).glob("test_alarm_*.py"))]
    long = [ROOT / "tests" / "simulation" / f"test_alarm_{name}.py" for name in ("quiet", "life")]
    found = sorted([*short, *long], key=lambda path: (path.stem != first, path in long))
    return [str(path.relative_to(ROOT)) for path in found]


def preload() -> None:
    """Load what every child needs, once."""
    import dash
    import fastapi
    import httpx
    import hypothesis.stateful
    import pandas as pd
    import pint
    import pydantic
    import pytest_asyncio

    for library in (dash, fastapi, httpx, hypothesis, pd, pint, pydantic, pytest_asyncio):
        assert library.__name__ in sys.modules


if __name__ == "__main__":
    bench = Bench(
        ALARMS,
        mutants,
        tests_of,
        preload,
        REASONS,
        sample=40,
        seed=11,
        left_out=LEFT_OUT,
        sound="delay",
        in_place=OPTIONS,
    )
    sys.exit(run(bench, __doc__))
