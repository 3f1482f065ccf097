"""How many small mistakes in ``plantview/commands`` the tests find: ``python tests/bench/commands_mutation.py [--full]``.

The mutants are those of ``alarms_mutation``: one comparison, sum, condition or constant changed in a copy of the
package. A sample from a fixed seed by default, every mutant with ``--full``, of some modules with ``--only keeper``.
"""

from __future__ import annotations

import argparse
import ast
import random
import sys
import tempfile
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.alarms_mutation import mutants, preload  # noqa: E402 - the folder is no installed package
from tests.bench.mutate import Mutant, Trial  # noqa: E402
from tests.bench.rows import Figure, heading  # noqa: E402

ROOM: Final = ROOT / "plantview" / "commands"
GOAL: Final = 0.95
SAMPLE: Final = 60
LEFT_OUT: Final = frozenset({"__init__"})
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


class CommandTrial(Trial):
    """The same trial, of the commands and with their tests."""

    def killed(self, mutant: Mutant) -> bool:
        """Return whether a test fails, hangs, or the module does not even load, with the mutant in place."""
        place = self._copy / "commands" / f"{mutant.module}.py"
        before = place.read_text(encoding="utf-8")
        place.write_text(mutant.source, encoding="utf-8")
        try:
            return self._run(TESTS) != 0
        finally:
            place.write_text(before, encoding="utf-8")

    def sound(self, module: str) -> bool:
        """Return whether the tests pass with the module as ``ast.unparse`` writes it, unchanged."""
        source = ast.unparse(ast.parse((ROOM / f"{module}.py").read_text(encoding="utf-8")))
        return not self.killed(Mutant(module, 0, "nothing", source))


def main() -> int:
    """Print every survivor by name, and the share that was found."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--full", action="store_true")
    options.add_argument("--only", default="", help="modules, with commas between")
    options.add_argument("--sample", type=int, default=SAMPLE, help="how many mutants (default %(default)s)")
    asked = options.parse_args()
    present = sorted(path.stem for path in ROOM.glob("*.py") if path.stem not in LEFT_OUT)
    modules = asked.only.split(",") if asked.only else present
    every = [mutant for module in modules for mutant in mutants(module, ROOM)]
    whole = asked.full or bool(asked.only)
    chosen = every if whole else random.Random(9).sample(every, min(asked.sample, len(every)))
    preload()
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        trial = CommandTrial(Path(folder))
        if not trial.sound("keeper"):
            print((Path(folder) / "said").read_text(encoding="utf-8")[-3_000:])
            print("the tests fail without any mutant: nothing can be said                short")
            return 1
        survivors = []
        for mutant in chosen:
            if not trial.killed(mutant):
                survivors.append(mutant)
                why = next(
                    (why for start, why in REASONS.items() if f"{mutant.module}:{mutant.what}".startswith(start)), ""
                )
                print(f"  survived: {mutant.name}  {why}", flush=True)
    share = 1 - len(survivors) / len(chosen)
    print(heading())
    scope = f"{len(chosen)} of {len(every)} mutants of {len(modules)} modules"
    print(Figure("mutants of commands killed", f"{100 * share:.1f} %", scope, f"≥ {100 * GOAL:.0f} %", share >= GOAL))
    return 0 if share >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
