"""A changed plant description into a plant that is watched: alarms keep their states, a mistake changes nothing."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from plantview.config.bundled import bundled
from tests.running import Running, running

pytestmark = pytest.mark.timeout(120)
TOKEN = "t" * 43


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copytree(bundled("plants") / "orchard", tmp_path_factory.mktemp("plants") / "my-plant"))


@pytest.fixture(scope="module")
def plant(folder: Path) -> Iterator[Running]:
    with running(["run", str(folder)], folder.parent) as watched:
        watched.wait_line("open http")
        yield watched


def _reload(plant: Running, folder: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "plantview", "reload", str(folder)]
    return subprocess.run(command, cwd=plant.folder, capture_output=True, text=True, timeout=60, check=False)


def _edit(folder: Path, old: str, new: str) -> None:
    path = folder / "plant.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def _silent(plant: Running) -> Any:
    active = plant.get("/api/v1/alarms")["active"]
    return next((row for row in active if row["id"] == "BC-1.SILENT"), None)


def _acknowledge(plant: Running, alarm: str) -> None:
    headers = {"Content-Type": "application/json", "Origin": plant.url}
    headers |= {"Cookie": f"_csrf_token={TOKEN}", "X-CSRFToken": TOKEN}
    body = json.dumps({"id": alarm, "person": "MK"}).encode()
    asked = urllib.request.Request(f"{plant.url}/api/v1/alarms/acknowledge", body, headers)
    with urllib.request.urlopen(asked, timeout=5) as answer:
        assert answer.status == 200


def test_alarms_keep_their_states_and_a_mistake_changes_nothing(plant: Running, folder: Path) -> None:
    before = plant.until(lambda: _silent(plant), 40)
    _acknowledge(plant, before["id"])
    processes = plant.children()
    _edit(folder, 'name = "Orchard Street Annex"', 'name = "Orchard, second edition"')
    taken = _reload(plant, folder)
    assert (taken.returncode, taken.stderr) == (0, "")
    assert plant.until(lambda: plant.get("/api/v1/plant")["name"]) == "Orchard, second edition"
    after = plant.until(lambda: _silent(plant))
    assert (after["acked"], after["acked_by"], after["since_ms"]) == (True, "MK", before["since_ms"])
    assert set(plant.children().values()).isdisjoint(processes.values())

    _edit(folder, 'name = "Orchard, second edition"', 'name = "Orchard, third edition"\nno_such_word = 1')
    processes = plant.children()
    refused = _reload(plant, folder)
    assert refused.returncode == 2
    assert "no_such_word" in refused.stderr
    assert "goes on as it was" in refused.stderr
    assert plant.children() == processes
    # a process that falls while the file is wrong comes back with what was right
    os.kill(processes["field"], signal.SIGKILL)
    plant.until(lambda: plant.children().get("field") not in {None, processes["field"]})
    plant.until(lambda: plant.get("/api/v1/plant")["link"]["ok"], 30)
    assert plant.get("/api/v1/plant")["name"] == "Orchard, second edition"
