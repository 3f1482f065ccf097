"""How many small mistakes in ``plantview/alarms`` the tests find: ``python tests/bench/alarms_mutation.py [--more | --full]``.

Works on a temporary copy. Each mutant changes one comparison, sum, condition, constant or answer; a mutant whose
tests still pass has survived. By default 8 mutants drawn at random from a fixed seed, 40 with ``--more``, with ``--full`` all of them.
"""

from __future__ import annotations

import ast
import copy
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
GOAL_PCT: Final = 95.0
DRAWN: Final = 8
MORE: Final = 40
DEADLINE_S: Final = 180.0
LEFT_OUT: Final = frozenset({"__init__.py", "starting_limits.py"})
"""Texts and data, nothing that decides."""
TESTS: Final = ("tests/unit", "tests/simulation/test_alarm_quiet.py", "tests/simulation/test_alarm_life.py")
COMPARISONS: Final[dict[type[ast.cmpop], type[ast.cmpop]]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
SUMS: Final[dict[type[ast.operator], type[ast.operator]]] = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Add}


def mutants(source: str) -> Iterator[tuple[int, str]]:
    """Yield line and text of every mutant of a module."""
    tree = ast.parse(source)
    # frozen and slots of a dataclass decide nothing that a test of behaviour could see
    marks = {
        id(part) for node in ast.walk(tree) for mark in getattr(node, "decorator_list", ()) for part in ast.walk(mark)
    }
    for number, node in enumerate(ast.walk(tree)):
        if id(node) not in marks and _mutable(node):
            changed = copy.deepcopy(tree)
            victim = next(item for at, item in enumerate(ast.walk(changed)) if at == number)
            _mutate(victim)
            yield getattr(node, "lineno", 0), ast.unparse(changed)


def _mutable(node: ast.AST) -> bool:
    match node:
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


def _is_number(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, int | float)


def _mutate(node: ast.AST) -> None:
    match node:
        case ast.Compare(ops=[op]):
            node.ops = [COMPARISONS[type(op)]()]
        case ast.BinOp(op=op):
            node.op = SUMS[type(op)]()
        case ast.BoolOp(op=op):
            node.op = ast.Or() if isinstance(op, ast.And) else ast.And()
        case ast.Constant(value=value):
            node.value = not value
        case ast.UnaryOp(operand=operand):
            node.op, node.operand = ast.Not(), ast.UnaryOp(ast.Not(), operand)
        case _:
            raise AssertionError(f"{type(node).__name__} is no mutable part")


def passes(folder: Path) -> bool:
    """Return whether the alarms' tests pass in a copy; one that hangs does not."""
    files = [str(path.relative_to(folder)) for path in sorted((folder / TESTS[0]).glob("test_alarm_*.py"))]
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *files, *TESTS[1:]]
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, check=False, timeout=DEADLINE_S)
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0


def main() -> int:
    """Make the mutants, run the tests on each, print who survived and the share that was found."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name in ("plantview", "tests", "config", "assets"):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", folder)
        if not passes(folder):
            print("the tests fail without any mutant: nothing can be said                short")
            return 1
        found = [
            (path, *mutant)
            for path in sorted((folder / "plantview" / "alarms").glob("*.py"))
            if path.name not in LEFT_OUT
            for mutant in mutants(path.read_text(encoding="utf-8"))
        ]
        chosen = (
            found if "--full" in sys.argv else random.Random(11).sample(found, MORE if "--more" in sys.argv else DRAWN)
        )
        survived = [(path.name, line) for path, line, text in chosen if _survives(path, text, folder)]
    for name, line in survived:
        print(f"survived: alarms/{name}:{line}")
    share = 100.0 * (1 - len(survived) / len(chosen))
    verdict = "ok" if share >= GOAL_PCT else "short"
    print(
        f"mutants of alarms/ found: {share:.1f} % of {len(chosen)} (of {len(found)})   goal >= {GOAL_PCT:g} %   {verdict}"
    )
    return 0 if verdict == "ok" else 1


def _survives(path: Path, text: str, folder: Path) -> bool:
    before = path.read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    try:
        return passes(folder)
    finally:
        path.write_text(before, encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
