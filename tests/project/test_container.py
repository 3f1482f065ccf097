"""The container and the service unit run what a person runs, with the same pinned versions."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from plantview.cli import ACTS
from plantview.cli_grammar import parser


def lines(file: Path) -> list[str]:
    return [line.strip() for line in file.read_text(encoding="utf-8").splitlines() if not line.lstrip().startswith("#")]


def test_everything_that_the_image_copies_is_in_the_checkout(checkout: Path) -> None:
    copied = [shlex.split(line)[1:-1] for line in lines(checkout / "docker" / "Dockerfile") if line.startswith("COPY ")]
    assert copied
    assert [name for names in copied for name in names if not (checkout / name).exists()] == []


def test_the_image_installs_the_pinned_versions(checkout: Path) -> None:
    installs = [line for line in lines(checkout / "docker" / "Dockerfile") if "pip install" in line]
    assert installs
    assert all("--constraint .ci/constraints.txt" in line for line in installs)


@pytest.mark.parametrize(("file", "pattern"), [
    ("compose.yaml", r'command: \[(.*)\]'), ("plantview.service", r"ExecStart=\S*/plantview (.*)"), ("Dockerfile", r"CMD \[(.*)\]"),
])  # fmt: skip
def test_what_they_start_is_a_command_of_the_program(checkout: Path, file: str, pattern: str) -> None:
    text = (checkout / "docker" / file).read_text(encoding="utf-8")
    commands = [shlex.split(found.replace(",", " ")) for found in re.findall(pattern, text)]
    assert commands
    for words in commands:
        if words == ["--help"]:
            continue
        assert parser(ACTS).parse_args(words).command in ACTS
