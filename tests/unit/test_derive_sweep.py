"""A year worked out at once gives, moment for moment, what the frames of that year gave one by one."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping

import numpy as np
import pytest

from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.model.columns import Column, Reasons
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading, bad
from plantview.simulator.history import run_day
from tests.conftest import CHECKOUT

FRAMES, STEP_S = 160, 60.0
BEGIN_MS = 1_782_900_000_000 // 900_000 * 900_000 + 7 * 3_600_000
KINDS = ("bad", "stale", "doubtful", "odd", "missing")
ODD = (0.0, -5.0, 1e9, float("nan"), 3.0, 250.0)


def spoiled(reading: Reading, kind: str, draw: random.Random) -> Reading | None:
    match kind:
        case "bad":
            return bad(draw.choice(["no answer", "device fault"]), reading.at_ms)
        case "stale":
            age = f"not renewed; value is {draw.randrange(20, 60)} s old"
            return Reading(reading.value, Quality.STALE, age, reading.at_ms)
        case "doubtful":
            return Reading(reading.value, Quality.UNCERTAIN, "in hand", reading.at_ms)
        case "odd":
            return Reading(draw.choice(ODD), Quality.GOOD, "", reading.at_ms)
        case _:
            return None


def random_frames(plant: Plant, seed: int) -> list[Frame]:
    draw, wrong, found = random.Random(seed), dict[str, str](), []
    for number, batch in enumerate(run_day(plant, BEGIN_MS, FRAMES * STEP_S / 3_600, STEP_S, seed=seed)):
        for name in sorted(plant.points):
            if name not in wrong and draw.random() < 0.002:
                wrong[name] = draw.choice(KINDS)
            elif draw.random() < 0.1:
                wrong.pop(name, None)
        seen = {
            name: spoiled(reading, wrong[name], draw) if name in wrong else reading
            for name, reading in batch.readings.items()
        }
        found.append(Frame(number, batch.at_ms, {name: each for name, each in seen.items() if each is not None}))
    return found


def columns_of(frames: list[Frame], plant: Plant, reasons: Reasons) -> dict[str, Column]:
    found = {}
    for name in plant.points:
        readings = [frame.reading(name) for frame in frames]
        found[name] = Column(
            np.array([np.nan if each.value is None else each.value for each in readings]),
            np.array([each.quality for each in readings], np.uint8),
            np.array([reasons.code(each.reason) for each in readings], np.int64),
        )
    return found


def part(columns: Mapping[str, Column], where: slice) -> dict[str, Column]:
    return {
        name: Column(each.values[where], each.quality[where], each.reasons[where]) for name, each in columns.items()
    }


def plain(reading: Reading) -> tuple[float | None, Quality, str]:
    return reading.value, reading.quality, reading.reason


def near(one: float | None, other: float | None) -> bool:
    return one is other if one is None or other is None else math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)


@pytest.mark.parametrize("name", ["larkfield", "orchard", "millrace"])
def test_columns_equal_frames_to_the_last_digit(name: str) -> None:
    plant = load_plant(CHECKOUT / "config" / name)
    frames, reasons = random_frames(plant, 3), Reasons()
    derivation = Derivation(plant)
    wanted = [derivation.run(frame).readings for frame in frames]
    at_ms, columns = np.array([frame.at_ms for frame in frames]), columns_of(frames, plant, reasons)
    sweep = derivation.sweep(uncertain=True)
    cut = int(np.flatnonzero(at_ms >= BEGIN_MS + 4 * 900_000)[0])
    seen: set[Quality] = set()
    for where in (slice(0, cut), slice(cut, None)):
        found = sweep.run(at_ms[where], part(columns, where), reasons)
        assert set(found) == set(derivation.signals)
        for row, one in enumerate(wanted[where]):
            for signal, reading in one.items():
                got = found[signal].reading(row, 0, reasons)
                assert plain(got) == plain(reading), f"{signal} at {row}"
                assert found[signal].u95 is None or near(got.u95, reading.u95), f"{signal} at {row}"
                seen.add(reading.quality)
    assert seen == {Quality.GOOD, Quality.UNCERTAIN, Quality.BAD}


def test_a_stretch_that_cuts_a_quarter_of_an_hour_is_refused() -> None:
    plant = load_plant(CHECKOUT / "config" / "orchard")
    sweep, reasons = Derivation(plant).sweep(), Reasons()
    sweep.run(np.array([BEGIN_MS]), {}, reasons)
    with pytest.raises(ValueError, match="within a quarter of an hour"):
        sweep.run(np.array([BEGIN_MS + 60_000]), {}, reasons)
