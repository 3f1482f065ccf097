"""README and DEVELOPERS say what the program has: commands, rooms, derived values, the version."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import plantview
from plantview.cli import ACTS
from plantview.cli_grammar import parser
from tests.project.sources import sources

WORDS_OF_A_MACHINE = re.compile(
    r"/(?:home|root|work|tmp)/\w|https?://(?:pypi|files\.pythonhosted)|registry\.[a-z]+\.(?:org|com|io)"
)


def commands() -> dict[str, argparse.ArgumentParser]:
    """Return the commands that the program has, by name."""
    for action in parser(ACTS)._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    raise AssertionError("the program has no commands")


def text_of(checkout: Path, name: str) -> str:
    return (checkout / name).read_text(encoding="utf-8")


def test_every_command_appears_in_the_readme(checkout: Path) -> None:
    readme = text_of(checkout, "README.md")
    assert {name for name in commands() if f"plantview {name}" not in readme} == set()


def test_the_readme_names_no_command_that_does_not_exist(checkout: Path) -> None:
    named = set(re.findall(r"(?:bin/|`|^)plantview ([a-z]+)", text_of(checkout, "README.md"), re.MULTILINE))
    assert named - set(commands()) == set()


def test_every_command_has_help_that_teaches(checkout: Path) -> None:
    for name, command in commands().items():
        assert command.description, name
        assert len(command.description) > 60, name
        for action in command._actions:
            assert action.help, f"{name} {action.dest}"


def test_the_readme_shows_how_to_start_and_how_to_test(checkout: Path) -> None:
    readme = text_of(checkout, "README.md")
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/plantview demo" in readme
    assert "bash tests/run.sh" in readme
    for picture in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", readme):
        assert (checkout / picture).is_file(), picture
    assert re.search(r"!\[[^\]]+\]\(", readme), "the first thing a person wants to see is the running page"


def test_every_room_is_explained_to_contributors(checkout: Path) -> None:
    developers = text_of(checkout, "DEVELOPERS.md")
    rooms = {source.room for source in sources()} - {"", "__main__"}
    assert {room for room in rooms if f"`{room}/`" not in developers and f"`{room}.py`" not in developers} == set()


def test_the_change_log_knows_this_version(checkout: Path) -> None:
    assert f"### {plantview.__version__}" in text_of(checkout, "DEVELOPERS.md")


def test_no_path_of_a_machine_and_no_registry_stands_in_what_is_published(checkout: Path) -> None:
    files = [
        checkout / "README.md",
        checkout / "DEVELOPERS.md",
        checkout / "pyproject.toml",
        checkout / ".ci" / "constraints.txt",
    ]
    files += [
        path
        for folder in ("plantview", "config", "assets")
        for path in (checkout / folder).rglob("*")
        if path.suffix in {".py", ".toml", ".csv", ".js", ".css", ".md"}
    ]
    found = {
        str(path.relative_to(checkout)): hit[0]
        for path in files
        if (hit := WORDS_OF_A_MACHINE.search(path.read_text(encoding="utf-8")))
    }
    assert found == {}


def test_constraints_are_names_and_versions_only(checkout: Path) -> None:
    lines = [
        line for line in text_of(checkout, ".ci/constraints.txt").splitlines() if line and not line.startswith("#")
    ]
    assert [line for line in lines if not re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.!+]+", line)] == []
    assert len(lines) > 50
