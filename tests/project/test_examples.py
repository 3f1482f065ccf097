"""Every plant in config/ is one that a person may copy: it loads, its alarms compile, nothing is left over."""

from __future__ import annotations

from pathlib import Path

import pytest

from plantview.alarms import compile_rules
from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.model.signal import signal_of

CONFIG = Path(__file__).resolve().parent.parent.parent / "config"
EXAMPLES = sorted(folder for folder in CONFIG.iterdir() if folder.is_dir())


def name_of(folder: Path) -> str:
    return folder.name


def test_there_are_examples() -> None:
    assert {"larkfield", "millrace", "orchard"} <= {folder.name for folder in EXAMPLES}


@pytest.mark.parametrize("folder", EXAMPLES, ids=name_of)
def test_an_example_loads_and_its_alarms_compile(folder: Path) -> None:
    plant = load_plant(folder)
    signals = {name: signal_of(point) for name, point in plant.points.items()} | dict(Derivation(plant).signals)
    rules, problems = compile_rules(plant, signals)
    assert problems == []
    assert len(rules) >= len(plant.alarms) > 0


@pytest.mark.parametrize("folder", EXAMPLES, ids=name_of)
def test_an_example_is_simulated_on_this_computer_only(folder: Path) -> None:
    plant = load_plant(folder)
    assert plant.simulated
    assert {device.host for device in plant.devices.values()} == {"127.0.0.1"}
    assert {device.protocol for device in plant.devices.values()} == {"bacnet", "modbus"}


@pytest.mark.parametrize("folder", EXAMPLES, ids=name_of)
def test_every_device_of_an_example_has_points(folder: Path) -> None:
    plant = load_plant(folder)
    assert {point.device for point in plant.points.values()} == set(plant.devices)
