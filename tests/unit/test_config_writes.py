"""What writes.toml may say: every mistake is named with its row, and nothing counts unless it was enabled."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from plantview.config import load_plant
from plantview.config.loader import read_plant
from plantview.config.order import Order, practised
from plantview.errors import StartRefused
from plantview.model.plant import Plant

ROW = """
[[setpoints]]
point = "chw-supply.setpoint"
low = "42 degF"
high = "50 degF"
max_step = "2 degF"
max_change = "4 degF"
tolerance = "1 degF"
"""
START = """
[[starts]]
point = "CWP-1.command"
witnessed = "J. Berger, 2026-04-02"
"""


@pytest.fixture
def folder(tmp_path: Path, checkout: Path) -> Path:
    return Path(shutil.copytree(checkout / "config" / "larkfield", tmp_path / "larkfield"))


def enable(folder: Path, more: str = "") -> None:
    with (folder / "plant.toml").open("a") as file:
        file.write(f"\n[writes]\nenabled = true\n{more}\n")


def problems(folder: Path, rows: str) -> list[str]:
    (folder / "writes.toml").write_text(f"schema = 1\n{rows}", encoding="utf-8")
    return [str(problem) for problem in read_plant(folder)[1]]


def test_the_example_lists_two_setpoints_and_counts_only_once_it_is_enabled(folder: Path) -> None:
    plant = load_plant(folder)
    assert (plant.writes.enabled, plant.writes.active) == (False, False)
    assert {permit.act for permit in plant.writes.permits.values()} == {"setpoint"}
    enable(folder)
    assert load_plant(folder).writes.active


@pytest.mark.parametrize("name", ["missing", "empty"])
def test_enabling_without_a_list_is_a_mistake_not_a_silence(folder: Path, name: str) -> None:
    enable(folder)
    if name == "missing":
        (folder / "writes.toml").unlink()
    else:
        (folder / "writes.toml").write_text("schema = 1\n")
    found = [str(problem) for problem in read_plant(folder)[1]]
    assert len(found) == 1
    assert "writing is enabled, but writes.toml" in found[0]


def test_a_number_keeps_its_unit_and_a_difference_loses_its_offset(folder: Path) -> None:
    rows = ROW.replace("42 degF", "5.5 degC").replace('max_step = "2 degF"', 'max_step = "1 degC"')
    assert problems(folder, rows) == []
    permit = load_plant(folder).writes.permits["chw-supply.setpoint"]
    assert permit.low == pytest.approx(41.9)
    assert permit.most_step == pytest.approx(1.8)
    assert (permit.priority, permit.lease_s, permit.per_hour, permit.critical) == (8, 7_200.0, 6, True)


def test_starts_count_only_where_the_plant_says_so(folder: Path) -> None:
    enable(folder)
    assert problems(folder, ROW + START) == []
    assert set(load_plant(folder).writes.permits) == {"chw-supply.setpoint"}
    text = (folder / "plant.toml").read_text().replace("enabled = true\n", "enabled = true\nstarts = true\n")
    (folder / "plant.toml").write_text(text)
    assert load_plant(folder).writes.permits["CWP-1.command"].act == "start"


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("chw-supply.setpoint", "chw-suply.setpoint", "no point 'chw-suply.setpoint' -> did you mean"),
        ("chw-supply.setpoint", "CH-1.chws_temp", "is measured; it is never written"),
        ("chw-supply.setpoint", "CWP-1.command", "moves a machine at once -> list it under [[starts]]"),
        ('low = "42 degF"', 'low = "30 degF"', "may freeze in an evaporator"),
        ('low = "42 degF"', 'low = "60 degF"', "the range is empty"),
        ('low = "42 degF"', 'low = "42"', "is no number with a unit of temperature"),
        ('low = "42 degF"', 'low = "nan degF"', "is no number with a unit of temperature"),
        ('max_step = "2 degF"', 'max_step = "-2 degF"', "is no difference above 0"),
        ('max_step = "2 degF"', "", "key 'max_step' is missing"),
        ('tolerance = "1 degF"', "", "key 'tolerance' is missing"),
        ('tolerance = "1 degF"', 'tolerance = "1 degF"\npriority = 7', "priority 7 is never written"),
        ('tolerance = "1 degF"', 'tolerance = "1 degF"\npriority = 16', "priority 16 is never written"),
        ('tolerance = "1 degF"', 'tolerance = "1 degF"\npriority = 0', "does not fit"),
        ('tolerance = "1 degF"', 'tolerance = "1 degF"\nlease_h = 25', "does not fit"),
        ('tolerance = "1 degF"', 'tolerance = "1 degF"\nforever = true', "unknown key 'forever'"),
        ("[[setpoints]]", "[[setpoint]]", "unknown key 'setpoint'"),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_its_remedy(folder: Path, before: str, after: str, said: str) -> None:
    found = problems(folder, ROW.replace(before, after))
    assert len(found) == 1, found
    assert said in found[0]
    assert "writes.toml:" in found[0]


def test_the_lowest_priority_has_to_be_meant(folder: Path) -> None:
    assert problems(folder, ROW + "priority = 16\nlowest_priority = true\n") == []


def test_a_start_that_nobody_saw_work_is_not_listed(folder: Path) -> None:
    found = problems(folder, START.replace("J. Berger, 2026-04-02", " "))
    assert "nobody has seen work on site" in found[0]


SPEED = """
[[starts]]
point = "SCHWP-1.speed_command"
witnessed = "J. Berger, 2026-04-02"
low = "25 %"
high = "100 %"
max_step = "10 %"
max_change = "20 %"
tolerance = "2 %"
"""


def test_a_pump_is_not_listed_to_run_slower_than_it_can(folder: Path) -> None:
    with (folder / "points.csv").open("a") as file:
        file.write('SCHWP-1,speed_command,BC-2,"analog-output,9",,,,,%,,,,,,\n')
    assert problems(folder, SPEED) == []
    assert "25 % is the lowest speed of SCHWP-1" in problems(folder, SPEED.replace("25 %", "24 %"))[0]
    plant = folder / "plant.toml"
    plant.write_text(plant.read_text().replace('min_speed = "25 %"', ""))
    assert "nothing says the lowest speed of SCHWP-1" in problems(folder, SPEED)[0]


def test_a_chiller_is_not_listed_to_start_before_somebody_says_how_long_it_must_stand(folder: Path) -> None:
    row = START.replace("CWP-1.command", "CH-1.enable")
    assert problems(folder, row) == []
    points = folder / "points.csv"
    points.write_text("".join(line for line in points.read_text().splitlines(True) if "restart_time_left" not in line))
    assert "nothing says how long CH-1 must stand" in problems(folder, row)[0]
    assert problems(folder, row + "restart_min = 20\n") == []
    text = (folder / "plant.toml").read_text() + "\n[writes]\nenabled = true\nstarts = true\n"
    (folder / "plant.toml").write_text(text)
    assert load_plant(folder).writes.permits["CH-1.enable"].restart_s == 1_200.0


def test_two_rows_of_one_point_and_a_file_that_cannot_be_read_are_named(folder: Path) -> None:
    assert "is listed twice" in problems(folder, ROW + ROW)[0]
    (folder / "writes.toml").write_text("schema = [")
    assert any("cannot be read" in str(problem) for problem in read_plant(folder)[1])
    (folder / "writes.toml").write_text("schema = 2\n")
    assert any("schema" in str(problem) for problem in read_plant(folder)[1])


def test_practice_is_for_simulated_plants_with_a_list(folder: Path, larkfield: Plant) -> None:
    from dataclasses import replace

    order = Order("field", str(folder), str(folder), practice=True)
    assert order.load().writes.practice
    assert order.load().writes.active
    assert Order.read(order.text()).practice
    with pytest.raises(StartRefused, match="simulated plants only"):
        practised(replace(larkfield, simulated=False))
    with pytest.raises(StartRefused, match="nothing to practise"):
        practised(replace(larkfield, writes=replace(larkfield.writes, permits={})))
