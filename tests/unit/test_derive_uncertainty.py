"""The uncertainty beside derived values: from the accuracy of sensors, through chains, by hand where possible."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from plantview.derive import Derivation
from plantview.model.accuracy import UNKNOWN, Accuracy
from plantview.model.plant import Plant
from plantview.model.reading import Reading
from plantview.service.messages import view
from tests.frames import Change, frame_of
from tests.unit.derive_frames import CHILLER_KW, LARKFIELD, SILENT, derived

FLOW, POWER, SENSOR, PAIR = Accuracy(0.0, 0.01), Accuracy(0.0, 0.01), 0.2 / 1.8, 0.1 / 1.8


def u95(reading: Reading) -> float:
    """Return the uncertainty of a reading that must have one."""
    assert reading.u95 is not None, reading
    return reading.u95


def with_accuracy(plant: Plant, **accuracies: Accuracy) -> Plant:
    """Return the plant with other accuracies; ``CH_1__power`` stands for ``CH-1.power``."""
    named = {name.replace("__", ".").replace("CH_", "CH-"): each for name, each in accuracies.items()}
    assert set(named) <= set(plant.points)
    points = {name: replace(point, accuracy=named.get(name, point.accuracy)) for name, point in plant.points.items()}
    return replace(plant, points=points)


def test_a_difference_of_a_matched_pair_is_as_sure_as_the_pair(larkfield: Plant) -> None:
    assert u95(derived(larkfield, LARKFIELD)["CH-1.chw_delta_t"]) == pytest.approx(PAIR)
    alone = with_accuracy(larkfield, CH_1__chws_temp=Accuracy(SENSOR), CH_1__chwr_temp=Accuracy(SENSOR))
    assert u95(derived(alone, LARKFIELD)["CH-1.chw_delta_t"]) == pytest.approx(SENSOR * math.sqrt(2))


def test_kw_per_ton_is_as_unsure_as_the_root_sum_of_squares_says(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)["CH-1.kw_per_ton"]
    relative = math.hypot(0.01, 0.01, 0.1 / 10.0)
    assert u95(found) / (found.value or 0) == pytest.approx(relative, rel=0.01)


def test_the_worked_example_on_the_demo_plant(larkfield: Plant) -> None:
    """1000 gpm ±2 %, ±0.2 °F each and not a pair, ±1 % power: 3.61 %."""
    sensors = dict.fromkeys(("CH_1__chws_temp", "CH_1__chwr_temp"), Accuracy(SENSOR))
    plant = with_accuracy(larkfield, CH_1__chw_flow=Accuracy(0.0, 0.02), **sensors)
    found = derived(plant, LARKFIELD)["CH-1.kw_per_ton"]
    assert 100 * u95(found) / (found.value or 0) == pytest.approx(3.606, abs=0.03)


def test_it_comes_in_the_unit_of_the_value(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)
    kw, tons = u95(found["CH-1.cooling_load"]), u95(found["CH-1.cooling_load_tons"])
    assert kw / tons == pytest.approx(3.516853, rel=1e-5)


def test_a_sensor_in_two_inputs_counts_once_with_its_sign(larkfield: Plant) -> None:
    """The station pressure lifts both saturations: most of it cancels in the refrigerant lift."""
    plant = with_accuracy(larkfield, CH_1__evap_pressure=Accuracy(1e-6), CH_1__cond_pressure=Accuracy(1e-6))
    points = {
        **plant.points,
        "WEATHER.station_pressure": replace(plant.points["WEATHER.station_pressure"], accuracy=Accuracy(1.0)),
    }
    found = derived(replace(plant, points=points), LARKFIELD)
    low, high, lift = (u95(found[f"CH-1.{name}"]) for name in ("evap_saturation", "cond_saturation", "lift"))
    assert lift == pytest.approx(low - high, rel=1e-3)


def test_heat_balance_agrees_with_a_monte_carlo_over_all_its_sensors(larkfield: Plant) -> None:
    """20 000 plants whose sensors err as declared; pairs err together."""
    names = ("chw_flow", "chws_temp", "chwr_temp", "cw_flow", "cws_temp", "cwr_temp", "power")
    base = [float(str(LARKFIELD[f"CH-1.{name}"])) for name in names]
    spread = [10.0, 0.2, 0.2, 12.5, 0.2, 0.2, 2.5]
    covariance = np.diag([(each / 1.96) ** 2 for each in spread])
    for one, other in ((1, 2), (4, 5)):
        covariance[one, other] = covariance[other, one] = 0.875 * (0.2 / 1.96) ** 2
    rows = np.random.default_rng(3).multivariate_normal(base, covariance, size=20_000).T
    from plantview.calcs.heat_balance import heat_balance_pct
    from plantview.calcs.load import cooling_load_kw, heat_rejection_kw

    gpm, cold, hot, cw_gpm, entering, leaving, power = rows
    cooling = cooling_load_kw(gpm * 3.785411784 / 60, (cold - 32) / 1.8, (hot - 32) / 1.8)
    rejection = heat_rejection_kw(cw_gpm * 3.785411784 / 60, (entering - 32) / 1.8, (leaving - 32) / 1.8)
    low, high = np.quantile(heat_balance_pct(cooling, power, rejection), [0.025, 0.975])
    assert u95(derived(larkfield, LARKFIELD)["CH-1.heat_balance"]) == pytest.approx((high - low) / 2, rel=0.03)


def test_a_total_is_surer_than_its_parts_added_up(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)["PLANT.power_input"]
    assert u95(found) < 0.01 * (found.value or 0)
    assert u95(found) == pytest.approx(math.hypot(2.5, 0.3, 0.15, 0.2, 0.12))


def test_a_machine_that_is_off_makes_the_plants_load_no_less_sure(larkfield: Plant) -> None:
    found = derived(larkfield, LARKFIELD)
    assert found["CH-2.cooling_load"].u95 is None
    assert u95(found["PLANT.cooling_load"]) == pytest.approx(u95(found["CH-1.cooling_load"]))
    assert u95(found["PLANT.kw_per_ton"]) > 0


def test_what_cannot_be_said_is_not_said(larkfield: Plant) -> None:
    plant = with_accuracy(larkfield, CH_1__power=UNKNOWN)
    found = derived(plant, LARKFIELD)
    assert found["CH-1.kw_per_ton"].value is not None
    assert found["CH-1.kw_per_ton"].u95 is None
    assert u95(found["CH-1.cooling_load"]) > 0
    silent = derived(larkfield, LARKFIELD, {"CH-1.power": SILENT})
    assert silent["CH-1.kw_per_ton"].u95 is None


@pytest.mark.parametrize(("floor", "changes", "reason"), [
    ("ΔT", {"CH-1.chwr_temp": 44.5}, "ΔT of CH-1 is below"), ("flow", {"CH-1.chw_flow": 60.0}, "no CHW flow through CH-1"),
])  # fmt: skip
def test_below_a_floor_the_value_is_unknown_with_the_reason(
    larkfield: Plant, floor: str, changes: dict[str, Change], reason: str
) -> None:
    found = derived(larkfield, LARKFIELD, changes)["CH-1.kw_per_ton"]
    assert (found.value, found.u95) == (None, None), floor
    assert reason in found.reason


def test_small_differences_are_unsure_and_say_so(larkfield: Plant) -> None:
    """At 2 °F the same sensors give five times the relative uncertainty that they give at 10 °F."""
    wide, narrow = (derived(larkfield, LARKFIELD, {"CH-1.chwr_temp": back})["CH-1.kw_per_ton"] for back in (54.0, 46.0))
    assert u95(narrow) / (narrow.value or 1) > 2.9 * u95(wide) / (wide.value or 1)


def test_a_note_says_for_how_many_sensors_the_accuracy_is_our_own_choice(larkfield: Plant) -> None:
    assert "own choice" not in Derivation(larkfield).signals["CH-1.kw_per_ton"].note
    plant = with_accuracy(
        larkfield, CH_1__power=replace(POWER, declared=False), CH_1__chw_flow=replace(FLOW, declared=False)
    )
    note = Derivation(plant).signals["CH-1.kw_per_ton"].note
    assert note.endswith("accuracy of 2 of 4 sensors not declared, our own choice taken")


def test_it_travels_with_the_reading_in_three_digits(larkfield: Plant) -> None:
    batch = Derivation(larkfield).run(frame_of(larkfield, LARKFIELD))
    rows = view(replace(frame_of(larkfield, LARKFIELD), readings=batch.readings), {}, {})["readings"]
    assert len(rows["CH-1.kw_per_ton"]) == 5
    assert rows["CH-1.kw_per_ton"][4] == float(f"{u95(batch.readings['CH-1.kw_per_ton']):.3g}")
    assert len(rows["CH-2.cooling_load"]) == 4
    assert pytest.approx(rows["CH-1.kw_per_ton"][0], abs=2e-4) == CHILLER_KW / 418.124
