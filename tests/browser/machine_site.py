"""The pages of machines: a field process whose frames are worked out for real, learned models, and a day behind them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from plantview.clock import ManualClock
from plantview.derive import Derivation
from plantview.derive.learned import Learned, Model
from plantview.derive.learned.chiller import fit_biquadratic, fit_gordon_ng
from plantview.derive.learned.envelope import Envelope
from plantview.derive.learned.models import Record, write_models
from plantview.history import Samples, Store
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Reading
from plantview.service.learned_asks import LearnedAsks
from tests.frames import Change, frame_of
from tests.unit.derive_frames import CHILLER_KW, LOAD_TONS
from tests.unit.fake_field import START_MS, FakeField
from tests.unit.served_pages import served_pages

HOUR_MS, STEP_MS = 3_600_000, 150_000
PAST_H = 26
BAND_KW = 4.0
LOAD_KW = LOAD_TONS * 3.516853
RECORD = Record(START_MS - 24 * HOUR_MS, START_MS - 200 * HOUR_MS, START_MS - 25 * HOUR_MS, 1_409, 471, 0.8, 0.33, BAND_KW,
                1.0, ("leaving chilled water only moved from 6.7 to 6.7 °C",))  # fmt: skip


@dataclass
class MachineSite:
    """A served plant, standing at one moment."""

    field: FakeField
    home: str
    readings: Mapping[str, Reading]


def chiller_model() -> Model:
    """Return a model fitted to readings around the example frame: power in proportion to load, 250 kW at 418 tons."""
    load, cw, chw = (
        each.ravel() for each in np.meshgrid(np.linspace(900, 2_400, 16), np.linspace(24, 32, 9), np.linspace(6, 7.5, 5))
    )  # fmt: skip
    power = CHILLER_KW * load / LOAD_KW
    scaled, coefficients = fit_biquadratic(load, cw, chw, power)
    numbers = (*(each for pair in scaled for each in pair), *coefficients, *fit_gordon_ng(chw + 5.5, cw, load, power))
    names = (("load", "kW", 200.0), ("entering condenser water", "°C", 1.0), ("leaving chilled water", "°C", 0.5))
    rows = [np.repeat(each, 3) for each in (load, cw, chw)]
    return Model("chiller", tuple(map(float, numbers)), Envelope.of(names, rows), RECORD)


def cell_model() -> Model:
    """Return a model of a tower cell that was only seen at a range of half a kelvin."""
    names = (
        ("range", "K", 0.5),
        ("wet bulb", "°C", 1.0),
        ("water over the cell", "L/s", 10.0),
        ("fan speed", "%", 5.0),
    )
    rows = [np.full(9, value) for value in (0.5, 24.0, 80.0, 60.0)]
    return Model("tower_cell", (100.0, 1.0, 0.0), Envelope.of(names, rows), replace(RECORD, band=0.12, rmse=0.03))


def _row(reading: Reading, at_ms: int) -> list[object]:
    row: list[object] = [reading.value, int(reading.quality), reading.reason, at_ms]
    return row if reading.u95 is None else [*row, reading.u95]


def _past(readings: Mapping[str, Reading]) -> dict[str, Samples]:
    """Return a day in which everything stood as it stands now, but for the power of chiller 1."""
    at_ms = np.arange(START_MS - PAST_H * HOUR_MS, START_MS, STEP_MS, dtype=np.int64)
    good = np.zeros(at_ms.size, np.uint8)
    found = {}
    for name, reading in readings.items():
        if reading.value is None or reading.quality is Quality.BAD:
            continue
        swing = 6.0 * np.sin(at_ms / HOUR_MS) if name == "CH-1.power" else 0.0
        found[name] = Samples(at_ms, np.full(at_ms.size, reading.value) + swing, good, ("",) * at_ms.size)
    return found


@asynccontextmanager
async def machine_site(
    folder: Path, plant: Plant, changes: Mapping[str, Change], models: Mapping[str, Model]
) -> AsyncIterator[MachineSite]:
    """Serve a plant at one moment until left."""
    data, run = folder / "data", folder / "run"
    data.mkdir()
    run.mkdir(mode=0o700)
    if models:
        write_models(data, plant.id, models)
    derivation = Derivation(plant, Learned(data, plant.id))
    frame = frame_of(plant, changes)
    readings = {**frame.readings, **derivation.run(frame).readings}
    field = FakeField(plant, run / "s.sock")
    field.signals = {
        **{name: each for name, each in field.signals.items() if name in plant.points},
        **derivation.signals,
    }
    missing = Reading(None, Quality.BAD, "not read yet", 0)
    field.override = {name: _row(readings.get(name, missing), field.now_ms) for name in field.signals}
    field.channel.register("models", LearnedAsks(plant, data).models)
    store = Store(data, field.signals, ManualClock(START_MS))
    store.backfill(_past({name: each for name, each in readings.items() if name in field.signals}))
    store.close()
    await field.channel.start()
    field.greet()
    field.beat()
    async with served_pages(field, plant, data, partial(_beat, field)) as (home, _stop):
        yield MachineSite(field, home, readings)


def _beat(field: FakeField) -> None:
    field.now_ms += 1_000
    for row in field.override.values():
        row[3] = field.now_ms
    field.number += 1
    field.channel.publish("frame", field.frame(full=False))
