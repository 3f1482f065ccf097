"""How many small mistakes in ``plantview/commands`` the tests find: ``python tests/bench/commands_mutation.py [--full]``.

The mutants are those of ``alarms_mutation``: one comparison, sum, condition or constant changed in a copy of the
package. A sample from a fixed seed by default, every mutant with ``--full``, of some modules with ``--only keeper``.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.alarms_mutation import mutants, preload  # noqa: E402 - the folder is no installed package
from tests.bench.mutate import Bench, run  # noqa: E402

ROOM: Final = ROOT / "plantview" / "commands"
TESTS: Final = (
    "tests/unit/test_commands.py",
    "tests/unit/test_command_table.py",
    "tests/faults/test_command_crash.py",
    "tests/unit/test_commands_attacked.py",
)
REASONS: Final[dict[str, str]] = {
    "keeper:found is Event.FOUND_PRIOR": "there is a value from before only while a change is under way",
    "values:age_s < HOUR_S": "what is an hour old is no longer in the history that is asked",
    "ledger:error.strerror or error": "the same words, with the number of the error before them",
    "keeper:(one.result, one.detail) != was": "what a reading shows is read again after a restart, whatever the disk says",
}
"""Survivors that change nothing a crew could see -> why, by the start of their name."""


def tests_of(_module: str) -> Sequence[str]:
    """Return the tests of the commands; a mistake in one module shows in all of them."""
    return TESTS


if __name__ == "__main__":
    changed = partial(mutants, room=ROOM)
    sys.exit(run(Bench(ROOM, changed, tests_of, preload, REASONS, sample=60, seed=9, sound="keeper"), __doc__))
