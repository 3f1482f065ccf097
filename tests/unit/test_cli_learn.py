"""``plantview learn`` on stored history: models kept whole, and of each machine a sentence."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from plantview.cli import main
from plantview.clock import SystemClock
from plantview.config import load_plant
from plantview.history import Samples, Store
from plantview.model.signal import signal_of
from tests.conftest import CHECKOUT
from tests.unit.derive_frames import ORCHARD

PLANT = load_plant(CHECKOUT / "config" / "orchard")
END_MS = 1_782_864_000_000
STEP_MS = 300_000


def stored(data: Path, days: int) -> None:
    """Write days of orchard at five minutes: chiller 1's flow and condenser water move, its power follows them."""
    at_ms = END_MS - np.arange(days * 288, 0, -1) * STEP_MS
    hour = np.arange(at_ms.size) / 12.0
    swing = np.sin(hour / 24.0 * 2.0 * np.pi)
    rows = {name: np.full(at_ms.size, value) for name, value in ORCHARD.items() if isinstance(value, float)}
    rows["CH-1.chw_flow"] = 140.0 + 40.0 * swing
    rows["CH-1.cws_temp"] = 28.0 + 2.0 * np.cos(hour / 24.0 * 2.0 * np.pi)
    rows["CH-1.cwr_temp"] = rows["CH-1.cws_temp"] + 5.0
    rows["CH-1.power"] = 150.0 + 45.0 * swing + 2.0 * (rows["CH-1.cws_temp"] - 28.0)
    rows["CH-1.status"] = np.full(at_ms.size, 1.0)
    points = {point.name: signal_of(point) for point in PLANT.points.values()}
    for name in ("CHWP-1", "CWP-1"):
        rows[f"{name}.status"] = rows["CH-1.status"]
    good = np.zeros(at_ms.size, np.uint8)
    store = Store(data, points, SystemClock())
    store.backfill(
        {name: Samples(at_ms, row, good, ("",) * at_ms.size) for name, row in rows.items() if name in points}
    )
    store.close()


def test_each_machine_gets_its_sentence_and_the_models_are_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stored(tmp_path, 7)
    assert main(["learn", "orchard", "--data", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "CH-1: learned from" in said
    assert "CV-RMSE" in said
    assert "CT-1: not learned:" in said
    found = json.loads((tmp_path / "models.json").read_text())
    assert found["plant"] == PLANT.id
    assert list(found["machines"]) == ["CH-1"]
    assert found["machines"]["CH-1"]["record"]["cv_rmse_pct"] < 1.5


def test_too_little_history_is_said_and_leaves_the_models_as_they_were(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stored(tmp_path, 7)
    assert main(["learn", "orchard", "--data", str(tmp_path)]) == 0
    before = (tmp_path / "models.json").read_bytes()
    capsys.readouterr()
    assert main(["learn", "orchard", "--data", str(tmp_path), "--from", "2026-06-30"]) == 1
    said = capsys.readouterr().out
    assert "CH-1: not learned: too few days" in said
    assert "; the model of" in said
    assert (tmp_path / "models.json").read_bytes() == before


def test_no_history_is_refused_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["learn", "orchard", "--data", str(tmp_path)]) == 2
    assert "there is no history" in capsys.readouterr().err
