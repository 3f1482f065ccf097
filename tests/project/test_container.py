"""The container and the service unit run what a person runs, with the same pinned versions."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from plantview.cli import ACTS
from plantview.cli_grammar import parser
from plantview.config import load_plant
from plantview.config.bundled import bundled_plants
from plantview.config.overrides import adapter_key
from plantview.config.ports import free_address
from tests.running import Running, running


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
        if words == ["--help"] or words[0] == "postgres":
            continue
        assert parser(ACTS).parse_args(words).command in ACTS


@pytest.mark.timeout(120)
def test_the_composed_parts_find_each_other_outside_a_container_too(checkout: Path, tmp_path: Path) -> None:
    text = (checkout / "docker" / "compose.yaml").read_text(encoding="utf-8")
    found = {
        words[0]: words
        for words in (
            shlex.split(line.replace(",", " ")) for line in re.findall(r"^ +command: \[(.*)\]", text, re.MULTILINE)
        )
    }
    plant = load_plant(bundled_plants()["orchard"])
    listeners = {device.address: device.protocol for device in plant.devices.values()}
    addresses = {address: free_address("127.0.0.1", protocol) for address, protocol in listeners.items()}
    addresses[adapter_key(plant.bacnet)] = free_address("127.0.0.1", "bacnet")
    # the machine that runs the tests may have programs on the usual ports
    elsewhere = [word for old, new in addresses.items() for word in ("--address", f"{old}={new}")]
    watch = [word.replace("/data", str(tmp_path / "data")) for word in found["run"]]
    with (
        running([*found["simulate"], *elsewhere], tmp_path) as simulator,
        running([*watch, *elsewhere], tmp_path) as watching,
    ):
        simulator.wait_line("data and logs")
        watching.until(lambda: _good(watching) >= len(plant.points), 40)


def _good(watching: Running) -> int:
    return sum(row["quality"] == "GOOD" for row in watching.values().values())
