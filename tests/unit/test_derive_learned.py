"""Models of a machine's own normal: fitted, judged by what they did not see, and silent where they know nothing.

The plant that teaches here is written down in this file: a chiller by the printed Gordon-Ng equation (ASHRAE form, from
memory; check values computed by hand from the parameters of a laboratory machine), a cell by the published correlation.
"""

from __future__ import annotations

import json
import math
import os
from pathlib import Path

import numpy as np
import pytest

from plantview.calcs.tower_model import variable_speed_approach_k
from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.derive.learned import Learned, Model
from plantview.derive.learned.chiller import fit_biquadratic, fit_gordon_ng, gordon_ng_kw
from plantview.derive.learned.envelope import Envelope
from plantview.derive.learned.learning import Learning, Refused
from plantview.derive.learned.models import FILE, read_models, write_models
from plantview.derive.learned.steady import Drift, held_back, steady_blocks
from plantview.derive.learned.tower import fit_tower
from plantview.errors import OutsideSourceRange
from plantview.model.columns import Column, Floats, Ints, Reasons
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading
from tests.conftest import CHECKOUT
from tests.frames import frame_of
from tests.unit.derive_frames import LARKFIELD, derived, number

MINUTE_MS, DAY = 60_000, 1_440
START_MS = 1_782_864_000_000  # a midnight, UTC
LAB = (0.0788867419, 110.843216, 0.0795598306)
"""b0 [kW/K], b1 [kW], b2 [K/kW] of a laboratory chiller of 90 tons."""
PLANT = load_plant(CHECKOUT / "config" / "larkfield")
AXES = [("load", "kW", 100.0), ("entering condenser water", "°C", 1.0), ("leaving chilled water", "°C", 0.5)]


def days_of(count: int, *, load_share: float = 0.3) -> tuple[Ints, dict[str, Column]]:
    """Return minutes of larkfield's chiller 1: a load curve per day, water that warms up, power after a smooth law."""
    at = np.arange(count * DAY)
    hour, day = at % DAY / 60.0, at // DAY
    rows: dict[str, Floats] = {"PLANT.wet_bulb": 18.0 + 3.0 * np.sin(hour / 24.0 * 2.0 * np.pi) + 0.3 * day}
    load = 1_500.0 * (1.0 + load_share * np.sin(hour / 24.0 * 2.0 * np.pi + 0.4 * day))
    cws = 25.0 + 2.0 * np.sin(hour / 12.0 * np.pi) + 0.2 * day
    rows |= {"CH-1.cooling_load": load, "CH-1.cws_temp": 1.8 * cws + 32.0}
    rows |= {"CH-1.chws_temp": np.full(at.size, 44.0), "CH-1.chwr_temp": np.full(at.size, 54.0)}
    rows |= {"CH-1.power": power_of(load, cws), "CH-1.kw_per_ton": np.full(at.size, 0.5)}
    rows |= {"CT-1.range": 4.0 + load / 1_500.0, "CT-1.water_over": np.full(at.size, 100.0)}
    rows |= {"CT-1-FAN.speed": 60.0 + 15.0 * np.sin(hour), "CT-1.effectiveness": np.full(at.size, 60.0)}
    bare = variable_speed_approach_k(
        rows["CT-1.range"], rows["PLANT.wet_bulb"], np.full(at.size, 1.0), rows["CT-1-FAN.speed"] / 100.0
    )
    rows["CT-1.approach"] = 0.8 * bare + 0.5
    good = np.zeros(at.size, np.uint8)
    return START_MS + at * MINUTE_MS, {name: Column(row, good, good.astype(np.int64)) for name, row in rows.items()}


def power_of(load_kw: Floats | float, cws_c: Floats | float) -> Floats:
    return np.asarray(40.0 + 0.08 * load_kw + 2.0e-5 * load_kw**2 + 2.5 * (cws_c - 25.0), np.float64)


def learned_of(at_ms: Ints, columns: dict[str, Column]) -> dict[str, Model | Refused]:
    learning = Learning(PLANT, Derivation(PLANT).units, MINUTE_MS)
    learning.take(at_ms, columns)
    return learning.models(START_MS)


TAUGHT = learned_of(*days_of(8))


def model_of(machine: str) -> Model:
    found = TAUGHT[machine]
    assert isinstance(found, Model), found
    return found


def why(found: Model | Refused) -> str:
    assert isinstance(found, Refused)
    return found.why


# --- fits --------------------------------------------------------------------------------------
def test_gordon_ng_gives_back_the_parameters_that_made_the_readings() -> None:
    draw = np.random.default_rng(1)
    chwr, cws, load = draw.uniform(11.0, 17.0, 200), draw.uniform(20.0, 30.0, 200), draw.uniform(100.0, 350.0, 200)
    assert fit_gordon_ng(chwr, cws, load, gordon_ng_kw(chwr, cws, load, LAB)) == pytest.approx(LAB, rel=1e-6)


def test_ten_terms_follow_any_square_law() -> None:
    draw = np.random.default_rng(2)
    load, cw, chw = draw.uniform(500, 2_000, 300), draw.uniform(18, 30, 300), draw.uniform(5, 9, 300)
    power = 30.0 + 0.1 * load + 1e-5 * load**2 + 3.0 * cw - 4.0 * chw + 0.05 * cw * chw + 1e-3 * load * cw
    scaled, coefficients = fit_biquadratic(load, cw, chw, power)
    model = Model("chiller", (*(each for pair in scaled for each in pair), *coefficients, *LAB),
                  Envelope.of(AXES, [load, cw, chw]), model_of("CH-1").record)  # fmt: skip
    inside = model.envelope.holds([load, cw, chw])
    assert inside.sum() > 10
    assert model.expected(load, cw, chw)[inside] == pytest.approx(power[inside], rel=1e-4)


def test_an_input_that_stands_still_takes_no_part() -> None:
    draw = np.random.default_rng(3)
    load, cw, chw = draw.uniform(500, 2_000, 300), draw.uniform(18, 30, 300), 6.7 + draw.normal(0.0, 0.03, 300)
    scaled, _ = fit_biquadratic(load, cw, chw, power_of(load, cw))
    assert scaled[2][1] > 1e6 > scaled[1][1]


def test_a_cell_finds_its_own_scale_of_the_correlation() -> None:
    draw = np.random.default_rng(4)
    across, wet, air = draw.uniform(3, 7, 200), draw.uniform(10, 24, 200), draw.uniform(40, 100, 200)
    water = draw.uniform(90.0, 110.0, 200)
    approach = 1.3 * variable_speed_approach_k(across, wet, water / 100.0, air / 100.0) + 0.4
    nominal, factor, added = fit_tower(across, wet, water, air, approach)
    assert (nominal, factor, added) == pytest.approx((100.0, 1.3, 0.4), rel=0.02, abs=0.06)


def test_a_cell_that_goes_against_the_correlation_is_refused() -> None:
    air = np.linspace(40.0, 100.0, 60)
    flat = np.full(60, 5.0)
    with pytest.raises(ValueError, match="do not follow the correlation"):
        fit_tower(flat, 3.0 * flat, 20.0 * flat, air, air / 10.0)


# --- what may teach ------------------------------------------------------------------------------
def test_only_five_minutes_that_held_still_on_both_sides_teach() -> None:
    at_ms = START_MS + np.arange(60) * MINUTE_MS
    row = np.where(np.arange(60) < 30, 100.0, 150.0)
    found = steady_blocks(at_ms, row[None, :], MINUTE_MS, [Drift(1.0)])
    first = (found.at_ms - START_MS) // (5 * MINUTE_MS)
    assert first.tolist() == [1, 2, 3, 4, 7, 8, 9, 10]  # 5 and 6 stand at the step, 0 and 11 at the rims


def test_five_minutes_with_readings_missing_do_not_teach() -> None:
    at = np.array([minute for minute in range(60) if minute not in (21, 22)])
    found = steady_blocks(START_MS + at * MINUTE_MS, np.full((1, at.size), 7.0), MINUTE_MS, [Drift(1.0)])
    assert 4 not in ((found.at_ms - START_MS) // (5 * MINUTE_MS)).tolist()


def test_whole_days_are_held_back() -> None:
    days = np.repeat(np.arange(100, 112), 3)
    assert np.unique(days[held_back(days)]).tolist() == [102, 107]


@pytest.mark.parametrize("quality", [Quality.UNCERTAIN, Quality.STALE, Quality.BAD])
def test_only_good_readings_teach(quality: Quality) -> None:
    at_ms, columns = days_of(8)
    cws = columns["CH-1.cws_temp"]
    columns["CH-1.cws_temp"] = Column(cws.values, np.full(at_ms.size, quality, np.uint8), cws.reasons)
    found = learned_of(at_ms, columns)
    assert why(found["CH-1"]).startswith("too few days: 0 sound readings")
    assert isinstance(found["CT-1"], Model)


# --- refusals of the fit ---------------------------------------------------------------------------
def test_too_few_days_are_refused_with_what_there_was() -> None:
    said = why(learned_of(*days_of(3))["CH-1"])
    assert said.startswith("too few days: 4320 sound readings")
    assert "on 3 days; 5 are needed" in said


def test_a_load_that_hardly_moved_is_refused() -> None:
    assert why(learned_of(*days_of(8, load_share=0.03))["CH-1"]).startswith("too narrow: load only moved from 14")


def test_a_machine_without_its_sensors_is_refused_by_their_name() -> None:
    at_ms, columns = days_of(8)
    del columns["CT-1-FAN.speed"]
    assert "not measured" in why(learned_of(at_ms, columns)["CT-1"])


def test_a_model_that_misses_its_held_back_days_is_no_normal() -> None:
    at_ms, columns = days_of(8)
    power, day = columns["CH-1.power"], np.arange(at_ms.size) // DAY
    columns["CH-1.power"] = Column(power.values * np.where(day == 2, 1.3, 1.0), power.quality, power.reasons)
    assert "misses its own held-back days" in why(learned_of(at_ms, columns)["CH-1"])


def test_what_hardly_moved_is_remarked() -> None:
    record = model_of("CH-1").record
    assert record.cv_rmse_pct < 0.5
    assert record.samples > 100
    assert record.held_back >= 20
    assert record.remarks == ("leaving chilled water only moved from 6.7 to 6.7 °C",)


# --- envelope ----------------------------------------------------------------------------------------
def test_a_corner_that_was_never_seen_is_outside_though_the_box_holds_it() -> None:
    load = np.repeat(np.linspace(500.0, 2_000.0, 60), 5)
    envelope = Envelope.of(AXES, [load, 18.0 + load / 200.0, np.full(load.size, 6.7)])
    assert envelope.why_outside((1_250.0, 24.25, 6.7)) == ""
    assert "were not seen together like this" in envelope.why_outside((1_900.0, 20.6, 6.7))
    assert envelope.why_outside((300.0, 20.6, 6.7)) == "outside what was learned: load below 450.0 kW"
    assert envelope.why_outside((1_250.0, 29.0, 6.7)) == (
        "outside what was learned: entering condenser water above 28.5 °C"
    )
    assert "load" in envelope.why_outside((math.nan, 24.0, 6.7))


def test_rows_and_single_moments_agree_on_the_envelope() -> None:
    model, draw = model_of("CH-1"), np.random.default_rng(5)
    load, cw, chw = draw.uniform(800, 2_200, 300), draw.uniform(20, 30, 300), draw.uniform(6.2, 7.2, 300)
    row = model.expected(load, cw, chw)
    assert 20 < np.isfinite(row).sum() < 280
    for at in range(300):
        inputs = (float(load[at]), float(cw[at]), float(chw[at]))
        if math.isfinite(row[at]):
            assert model.expected(*inputs) == row[at]
        else:
            with pytest.raises(OutsideSourceRange, match="outside what was learned"):
                model.expected(*inputs)


def test_a_combination_seen_once_does_not_count() -> None:
    with pytest.raises(ValueError, match="was seen 3 times"):
        Envelope.of(AXES, [np.array([500.0, 900.0]), np.array([20.0, 25.0]), np.array([6.0, 8.0])])


# --- the file ------------------------------------------------------------------------------------------
def kept(folder: Path) -> Learned:
    write_models(folder, PLANT.id, {name: each for name, each in TAUGHT.items() if isinstance(each, Model)})
    return Learned(folder, PLANT.id)


def test_models_come_back_from_the_file_as_they_were(tmp_path: Path) -> None:
    found = kept(tmp_path)
    assert not found.trouble
    assert set(found.models) == {"CH-1", "CT-1"}
    assert found.models["CH-1"] == TAUGHT["CH-1"]
    assert found.models["CT-1"] == TAUGHT["CT-1"]
    assert [path.name for path in tmp_path.iterdir()] == [FILE]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"schema": 2}, "form 2"),
        ({"plant": "other"}, "of the plant other"),
        ({"machines": {"CH-1": {}}}, "missing"),
        ({"machines": []}, "another form"),
    ],
)
def test_a_file_of_another_form_or_plant_is_refused_in_words(
    tmp_path: Path, change: dict[str, object], words: str
) -> None:
    kept(tmp_path)
    row = json.loads((tmp_path / FILE).read_text())
    (tmp_path / FILE).write_text(json.dumps(row | change))
    with pytest.raises(ValueError, match=words):
        read_models(tmp_path / FILE, PLANT.id)


def test_a_damaged_file_changes_nothing_and_is_said(tmp_path: Path) -> None:
    found = kept(tmp_path)
    before = found.models
    (tmp_path / FILE).write_text("{")
    assert not found.look()
    assert found.models is before
    assert "cannot be used" in found.trouble
    assert not found.look(), "the same file is not read twice"


def test_a_new_file_is_taken_in_when_it_changes(tmp_path: Path) -> None:
    found = Learned(tmp_path, PLANT.id)
    assert found.why_none("CH-1") == "nothing was learned yet about CH-1: run plantview learn"
    kept(tmp_path)
    assert found.look()
    assert not found.look()
    assert not found.why_none("CH-1")
    os.utime(tmp_path / FILE, ns=(1, 1))
    assert found.look()


# --- derived values -----------------------------------------------------------------------------------
LIKE = {"CH-1.cws_temp": 1.8 * 26.0 + 32.0, "CH-1.chws_temp": 44.0}


def test_without_a_model_the_expected_value_says_so() -> None:
    found = derived(PLANT, LARKFIELD)
    for name in ("CH-1.power_expected", "CT-1.approach_expected", "CH-1.power_by_gordon_ng"):
        assert found[name].quality is Quality.BAD
        assert "run plantview learn" in found[name].reason


def with_models(folder: Path, **changes: float) -> dict[str, Reading]:
    derivation = Derivation(PLANT, kept(folder))
    frame = frame_of(PLANT, {**LARKFIELD, **LIKE, **{key.replace("__", "."): each for key, each in changes.items()}})
    return dict(derivation.run(frame).readings)


def test_expected_power_residual_and_band_close_by_hand(tmp_path: Path) -> None:
    found = with_models(tmp_path)
    expected = number(found["CH-1.power_expected"])
    assert expected == pytest.approx(float(power_of(number(found["CH-1.cooling_load"]), 26.0)), rel=5e-3)
    above = number(found["CH-1.power_above_expected"])
    assert above == pytest.approx(250.0 - expected)
    assert number(found["CH-1.power_above_expected_pct"]) == pytest.approx(100.0 * above / expected)
    assert number(found["CH-1.kw_per_ton_expected"]) == pytest.approx(
        expected / number(found["CH-1.cooling_load_tons"])
    )
    band = model_of("CH-1").record.band
    assert number(found["CH-1.power_normal_low"]) == pytest.approx(expected - band)
    assert number(found["CH-1.power_normal_high"]) == pytest.approx(expected + band)
    assert found["CH-1.power_by_gordon_ng"].quality is Quality.UNCERTAIN


def test_outside_what_was_learned_nothing_is_expected(tmp_path: Path) -> None:
    found = with_models(tmp_path, **{"CH-1__cws_temp": 60.0})
    for name in ("power_expected", "power_above_expected", "kw_per_ton_expected", "power_normal_high"):
        reading = found[f"CH-1.{name}"]
        assert reading.value is None
        assert "outside what was learned: entering condenser water below" in reading.reason
    assert found["CH-1.power_by_gordon_ng"].quality is Quality.UNCERTAIN


def test_a_year_and_a_frame_agree_on_learned_values(tmp_path: Path) -> None:
    derivation, reasons = Derivation(PLANT, kept(tmp_path)), Reasons()
    frames = [
        frame_of(PLANT, {**LARKFIELD, **LIKE, "CH-1.cws_temp": cws, "CH-1.chw_flow": flow, "CH-1.status": status})
        for cws in (60.0, 76.0, 79.0, 83.0)
        for flow in (600.0, 1_000.0, 1_700.0)
        for status in ("RUN", "OFF")
    ]
    columns = {}
    for name in PLANT.points:
        readings = [frame.reading(name) for frame in frames]
        columns[name] = Column(
            np.array([np.nan if each.value is None else each.value for each in readings]),
            np.array([each.quality for each in readings], np.uint8),
            np.array([reasons.code(each.reason) for each in readings], np.int64),
        )
    at_ms = START_MS + np.arange(len(frames)) * MINUTE_MS
    swept = derivation.sweep().run(at_ms, columns, reasons)
    known = 0
    for row, frame in enumerate(frames):
        wanted = derivation.run(Frame(1, int(at_ms[row]), frame.readings)).readings
        for name in swept:
            if "expected" in name or "normal" in name or "gordon" in name or "water_over" in name:
                got = swept[name].reading(row, 0, reasons)
                assert (got.value, got.quality, got.reason) == (
                    wanted[name].value, wanted[name].quality, wanted[name].reason
                ), name  # fmt: skip
                known += got.value is not None and name.startswith("CH-1")
    assert known > 20
