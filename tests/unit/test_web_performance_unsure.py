"""How sure sums over a stretch are, and how far its heat balance may be from zero."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.derive import Derivation
from plantview.model.accuracy import Accuracy
from plantview.model.columns import Floats
from plantview.model.plant import Plant
from plantview.model.signal import Signal, signal_of
from plantview.web import performance as work
from plantview.web.performance_balance import tolerance
from plantview.web.performance_unsure import Unsure, heats_of, meters_of

LARKFIELD, MILLRACE = (load_plant(bundled("plants") / name) for name in ("larkfield", "millrace"))
BINS = 288
TON_KW = 12_000 * 1.05505585262 / 3_600
GPM_L_S = 3.785411784 / 60
CHILLERS = work.Group("chillers", "chillers", ("CH-1.power",))


def signals_of(plant: Plant) -> dict[str, Signal]:
    """Return every signal of a plant, as the page knows them."""
    return {**{name: signal_of(point) for name, point in plant.points.items()}, **Derivation(plant).signals}


def with_accuracy(plant: Plant, accuracies: Mapping[str, Accuracy]) -> Plant:
    points = {name: replace(plant.points[name], accuracy=each) for name, each in accuracies.items()}
    return replace(plant, points={**plant.points, **points})


def stretch(load: Floats, power: Floats, **more: Floats) -> tuple[dict[str, Floats], work.Seen]:
    """Return a day in which chiller 1 alone cools: 1,000 gpm, 54 to 44 °F where nothing else is said."""
    row = np.ones(BINS)
    series = {
        "CH-1.cooling_load": load, "CH-2.cooling_load": 0 * row, "CH-3.cooling_load": 0 * row, "CH-1.power": power,
        "CH-1.chw_flow": 1_000 * GPM_L_S * row, "CH-1.chws_temp": 12 / 1.8 * row, "CH-1.chwr_temp": 22 / 1.8 * row,
        "PLANT.cooling_load": load, **more,
    }  # fmt: skip
    return series, work.seen_of(series, (CHILLERS,), 0, BINS, 1.0)


GUM = {
    "CH-1.chw_flow": Accuracy(share=0.02), "CH-1.power": Accuracy(share=0.01),
    "CH-1.chws_temp": Accuracy(0.2 / 1.8), "CH-1.chwr_temp": Accuracy(0.2 / 1.8),
}  # fmt: skip
"""1,000 gpm ± 2 %, 54 and 44 °F ± 0.2 °F, 250 kW ± 1 %: 3.61 % of kW/ton, of which flow and each temperature 30.8 %."""


def test_a_steady_day_is_as_sure_as_one_of_its_readings() -> None:
    """The worked example of kW/ton: ± 3.61 %; errors that stay do not average out."""
    plant = with_accuracy(LARKFIELD, GUM)
    series, seen = stretch(np.full(BINS, 418.124 * TON_KW), np.full(BINS, 250.0))
    told = Unsure(plant, signals_of(plant), series, seen).told()
    ratio = 250.0 / 418.124
    assert told["kw_per_ton_u95"] == pytest.approx(0.0361 * ratio, rel=0.005)
    assert told["energy_u95"] == pytest.approx(0.01 * 250.0 * 24)
    parts = np.hypot(0.02, np.hypot(0.02, 0.02))
    assert told["cooling_u95"] == pytest.approx(parts * 418.124 * TON_KW * 24, rel=0.005)
    assert told["groups"]["chillers"]["kw_per_ton_u95"] == pytest.approx(told["kw_per_ton_u95"])


def test_a_matched_pair_makes_the_cooling_surer() -> None:
    """Sensors of ± 0.2 °F whose difference is good to ± 0.1 °F: 1 % of 10 °F, beside 2 % of flow."""
    pair = Accuracy(0.2 / 1.8, pair=0.1 / 1.8)
    plant = with_accuracy(LARKFIELD, GUM | {"CH-1.chws_temp": pair, "CH-1.chwr_temp": pair})
    series, seen = stretch(np.full(BINS, 418.124 * TON_KW), np.full(BINS, 250.0))
    told = Unsure(plant, signals_of(plant), series, seen).told()
    assert told["cooling_u95"] / (418.124 * TON_KW * 24) == pytest.approx(np.hypot(0.02, 0.01), rel=0.01)


def test_what_one_drawing_of_errors_after_another_gives_for_a_day_that_moves() -> None:
    """Oracle: 20,000 drawings, each sensor with one error for the whole day, by the field rule on paper."""
    draw = np.random.default_rng(5)
    hour = np.arange(BINS) / 12
    flow, across = 900 + 300 * np.sin(hour / 3.8), 9 + 3 * np.cos(hour / 5)
    tons, power = flow * across / 24, 150 + 60 * np.sin(hour / 2.7)
    series, seen = stretch(
        tons * TON_KW, power, **{"CH-1.chw_flow": flow * GPM_L_S, "CH-1.chwr_temp": (12 + across) / 1.8}
    )
    plant = with_accuracy(LARKFIELD, GUM)
    told = Unsure(plant, signals_of(plant), series, seen).told()
    f, hot, cold, kw = (draw.normal(0.0, each / 1.96, 20_000) for each in (0.02, 0.2, 0.2, 0.01))
    cooled = (1 + f) * (tons.sum() + (flow / 24).sum() * (hot - cold))
    ratios = (1 + kw) * power.sum() / cooled
    low, high = np.quantile(ratios, [0.025, 0.975])
    assert told["kw_per_ton_u95"] == pytest.approx((high - low) / 2, rel=0.03)


def test_an_unknown_accuracy_or_a_sensor_that_was_not_stored_leaves_it_unknown() -> None:
    series, seen = stretch(np.full(BINS, 1_000.0), np.full(BINS, 250.0))
    unknown = with_accuracy(LARKFIELD, GUM | {"CH-1.power": Accuracy(declared=False)})
    told = Unsure(unknown, signals_of(unknown), series, seen).told()
    assert (told["energy_u95"], told["kw_per_ton_u95"]) == (None, None)
    assert told["cooling_u95"] is not None
    del series["CH-1.chw_flow"]
    plant = with_accuracy(LARKFIELD, GUM)
    assert Unsure(plant, signals_of(plant), series, seen).told()["cooling_u95"] is None


def test_where_a_tenth_of_the_sensors_is_missing_the_rest_stands_for_it() -> None:
    series, seen = stretch(np.full(BINS, 418.124 * TON_KW), np.full(BINS, 250.0))
    plant = with_accuracy(LARKFIELD, GUM)
    whole = Unsure(plant, signals_of(plant), series, seen).told()["cooling_u95"]
    series["CH-1.chw_flow"][:28] = np.nan
    assert Unsure(plant, signals_of(plant), series, seen).told()["cooling_u95"] == pytest.approx(whole)
    series["CH-1.chw_flow"][:40] = np.nan
    assert Unsure(plant, signals_of(plant), series, seen).told()["cooling_u95"] is None


def test_every_sum_of_the_example_plants_leads_back_to_sensors() -> None:
    for plant, heats in ((LARKFIELD, 3), (MILLRACE, 1)):
        signals = signals_of(plant)
        found = heats_of(plant, signals)
        assert len(found) == heats
        assert all(name in plant.points for heat in found for name in heat.names[1:])
        meters = [name for group in work.groups_of(plant, signals) for name in meters_of(group.signals, plant, signals)]
        assert meters
        assert set(meters) <= set(plant.points)
        assert len(set(meters)) == len(meters)


def test_the_tolerance_of_a_balance_follows_the_load_of_the_machines_that_run() -> None:
    """10.5 - 0.07 L + 1500 / (ΔT L) on paper, with 11 °F at design: two machines at 50 %, one at 100 %."""
    size = LARKFIELD.equipment["CH-1"].design
    across_f = 1.8 * (size["chwr_temp"] - size["chws_temp"])
    row = np.ones(BINS)
    series, seen = stretch(size["cooling_capacity"] * np.where(np.arange(BINS) < 144, 0.5, 1.0), 300 * row)
    series["CH-2.cooling_load"] = np.where(np.arange(BINS) < 144, 0.5 * size["cooling_capacity"], 0.0)
    told = tolerance(LARKFIELD, series, seen, 3)
    assert told["why_not"] == ""
    assert len(told["pct"]) == BINS // 3
    assert told["pct"][0] == pytest.approx(10.5 - 3.5 + 1_500 / (across_f * 50))
    assert told["pct"][-1] == pytest.approx(10.5 - 7.0 + 1_500 / (across_f * 100))


def test_without_design_data_there_is_no_tolerance_and_it_is_said_whose_lack_that_is() -> None:
    machine = LARKFIELD.equipment["CH-2"]
    bare = replace(machine, design={name: value for name, value in machine.design.items() if name != "chws_temp"})
    plant = replace(LARKFIELD, equipment={**LARKFIELD.equipment, "CH-2": bare})
    series, seen = stretch(np.full(BINS, 1_000.0), np.full(BINS, 250.0))
    told = tolerance(plant, series, seen, 1)
    assert np.isnan(told["pct"]).all()
    assert told["why_not"].startswith("CH-2: design capacity")
