"""The ``accuracy`` column: what may stand in it, what it means, and what is said about the rest."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from plantview.config import load_plant, read_plant
from plantview.config.accuracies import AccuracyProblem, read_accuracy
from plantview.config.bundled import bundled_plants
from plantview.errors import Problem
from plantview.model.accuracy import OWN_CHOICE, Accuracy
from plantview.model.plant import Plant
from plantview.units import QUANTITIES, unit

LARKFIELD = bundled_plants()["larkfield"]

# cell, unit and quantity of the point, absolute in canonical units, share, pair
CELLS = [
    ("0.2 degF", "degF", "temperature", 0.2 / 1.8, 0.0, 0.0),
    ("±0.1 K", "degC", "temperature", 0.1, 0.0, 0.0),
    ("0.1 degC", "degF", "temperature", 0.1, 0.0, 0.0),
    ("0.2 degF pair 0.1 degF", "degF", "temperature", 0.2 / 1.8, 0.0, 0.1 / 1.8),
    ("2 %", "gpm", "flow", 0.0, 0.02, 0.0),
    ("5 gpm + 1 %", "L/s", "flow", 5 * 3.785411784 / 60, 0.01, 0.0),
    ("1 psi + 0.5 %", "psig", "pressure_gauge", 6.894757293168, 0.005, 0.0),
    ("1 psig", "psig", "pressure_gauge", 6.894757293168, 0.0, 0.0),
    ("1 hPa", "inHg", "pressure_absolute", 0.1, 0.0, 0.0),
    ("0.03 inHg", "inHg", "pressure_absolute", 0.1015917, 0.0, 0.0),
    ("3 %", "%", "humidity", 3.0, 0.0, 0.0),
    ("1%", "kW", "power", 0.0, 0.01, 0.0),
]


@pytest.mark.parametrize(("text", "name", "quantity", "absolute", "share", "pair"), CELLS)
def test_what_may_stand_in_a_cell(
    text: str, name: str, quantity: str, absolute: float, share: float, pair: float
) -> None:
    found = read_accuracy(text, unit(name, quantity))
    assert (found.absolute, found.share, found.pair) == pytest.approx((absolute, share, pair), rel=1e-6)
    assert found.declared


@pytest.mark.parametrize(("text", "wrong"), [
    ("good", "'good' is no accuracy"), ("0 degF", "is no accuracy above 0"), ("0.2", "is no accuracy"),
    ("0.2 psi", "'psi' is no unit of temperature_difference"), ("0.2 degF pair 0.5 degF", "cannot be that unsure"),
    ("0.2 degF pair", "is no accuracy"), ("0.2.1 degF", "is no accuracy"), ("-0.2 degF", "is no accuracy"),
])  # fmt: skip
def test_a_cell_that_cannot_be_is_refused_with_a_remedy(text: str, wrong: str) -> None:
    with pytest.raises(AccuracyProblem, match=wrong) as caught:
        read_accuracy(text, unit("degF", "temperature"))
    assert caught.value.remedy


def test_only_temperatures_are_matched_pairs() -> None:
    with pytest.raises(AccuracyProblem, match="only temperatures"):
        read_accuracy("1 gpm pair 0.5 gpm", unit("gpm", "flow"))


def test_absolute_and_share_add_as_squares() -> None:
    assert Accuracy(3.0, 0.04).of(100.0) == pytest.approx(5.0)
    assert Accuracy(3.0, 0.04).of(-100.0) == pytest.approx(5.0)


def test_where_nothing_is_declared_our_own_choice_is_taken_and_marked(tmp_path: Path, larkfield: Plant) -> None:
    assert larkfield.points["CH-1.chw_flow"].accuracy == Accuracy(0.0, 0.01)
    assert set(OWN_CHOICE) <= set(QUANTITIES)
    assert not any(each.declared for each in OWN_CHOICE.values())
    folder = _spoiled(tmp_path, "CH-1,chw_flow,", "1 %", "")
    assert load_plant(folder).points["CH-1.chw_flow"].accuracy == OWN_CHOICE["flow"]


def test_a_wrong_cell_is_named_with_file_line_and_remedy(tmp_path: Path) -> None:
    folder = _spoiled(tmp_path, "CH-1,chw_flow,", "1 %", "1 psi")
    _, problems = read_plant(folder)
    assert [(Path(each.file).name, each.place) for each in problems] == [("points.csv", "accuracy")]
    assert "'psi' is no unit of flow" in problems[0].wrong
    assert "0.2 degF" in problems[0].remedy


def test_half_a_matched_pair_is_named(tmp_path: Path) -> None:
    folder = _spoiled(tmp_path, "CH-2,chwr_temp,", "0.2 degF pair 0.1 degF", "0.2 degF")
    _, problems = read_plant(folder)
    assert _said(problems) == ["CH-2.chws_temp is half of a matched pair, but CH-2.chwr_temp does not declare the same"]
    folder = _spoiled(tmp_path, "chw-supply,temp,", "0.2 degF", "0.2 degF pair 0.1 degF")
    _, problems = read_plant(folder)
    assert "chw-supply.temp is half of a matched pair, but no other sensor makes a pair with it" in _said(problems)


def _said(problems: list[Problem]) -> list[str]:
    return [each.wrong for each in problems]


def _spoiled(tmp_path: Path, row: str, old: str, new: str) -> Path:
    folder = tmp_path / f"plant-{len(list(tmp_path.iterdir()))}"
    shutil.copytree(LARKFIELD, folder)
    file = folder / "points.csv"
    lines = file.read_text(encoding="utf-8").splitlines()
    place = next(number for number, line in enumerate(lines) if line.startswith(row))
    assert old in lines[place]
    lines[place] = lines[place].replace(old, new)
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder
