"""How many small mistakes in ``plantview/commands`` the tests find: ``python tests/bench/commands_mutation.py [--full]``.

The mutants are those of ``alarms_mutation``: one comparison, sum, condition or constant changed in a copy of the
package. A sample from a fixed seed by default, every mutant with ``--full``, of some modules with ``--only keeper``.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.alarms_mutation import mutants, preload  # noqa: E402 - the folder is no installed package
from tests.bench.mutate import OPTIONS, Bench, run  # noqa: E402

ROOM: Final = ROOT / "plantview" / "commands"
TESTS: Final = (
    "tests/unit/test_commands_edges.py",
    "tests/unit/test_commands_waiting.py",
    "tests/unit/test_command_table.py",
    "tests/unit/test_commands.py",
    "tests/faults/test_command_crash.py",
    "tests/unit/test_commands_attacked.py",
)
MEMORY: Final = Path("/dev/shm")  # noqa: S108 - memory, where it is there: each line of the audit is synced
REASONS: Final[dict[str, str]] = {
    "memory:True as False": "two lists of one length are paired either way",
    "memory:False as True": "one more line that says what the line before says",
}
"""Survivors that change nothing a crew could see -> why, by the start of their name."""


def tests_of(_module: str) -> Sequence[str]:
    """Return the tests of the commands; a mistake in one module shows in all of them."""
    return TESTS


if __name__ == "__main__":
    if MEMORY.is_dir():
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))
    changed = partial(mutants, room=ROOM)
    bench = Bench(ROOM, changed, tests_of, preload, REASONS, sample=60, seed=9, sound="keeper", in_place=OPTIONS)
    sys.exit(run(bench, __doc__))
