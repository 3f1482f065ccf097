"""What the field process does with a finding: nothing that depends on it has a number until a person decides."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from plantview.channel.messages import AskRefused
from plantview.checks.correction import Edit
from plantview.checks.edits import point_lines, refrigerant_lines
from plantview.checks.offsets import compare, places
from plantview.checks.window import Window, told_number
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.history import Samples
from plantview.model.columns import Floats, Ints
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Frame, good
from plantview.service.findings import Findings
from tests.simulation.identity_rig import Table, reported

SWAP = ("CH-1.chws_temp", "CH-1.chwr_temp")


@dataclass
class Stored:
    """A history of one stretch."""

    at_ms: Ints
    values: Table

    def table(self, names: Sequence[str], from_ms: int, to_ms: int) -> tuple[Ints, Floats]:
        inside = (self.at_ms >= from_ms) & (self.at_ms < to_ms)
        return self.at_ms[inside], np.array([self.values[name][inside] for name in names])

    def recent(self, name: str, from_ms: int, to_ms: int) -> Samples:
        inside = (self.at_ms >= from_ms) & (self.at_ms < to_ms)
        count = int(inside.sum())
        return Samples(self.at_ms[inside], self.values[name][inside], np.zeros(count, np.uint8), ("",) * count)

    def swapped(self) -> Stored:
        one, other = SWAP
        return Stored(self.at_ms, {**self.values, one: self.values[other], other: self.values[one]})

    def frame(self) -> Frame:
        at_ms = int(self.at_ms[-1])
        return Frame(1, at_ms, {name: good(float(values[-1]), at_ms) for name, values in self.values.items()})


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    folder = tmp_path_factory.mktemp("site") / "larkfield"
    shutil.copytree(Path(__file__).parents[2] / "config" / "larkfield", folder)
    return load_plant(folder)


@pytest.fixture(scope="module")
def sound(plant: Plant) -> Stored:
    return Stored(*reported(plant, 0.4))


async def looked(plant: Plant, data: Path, history: Stored) -> Findings:
    findings = Findings(plant, data, ManualClock(int(history.at_ms[-1])), history)
    await findings.look()
    return findings


async def test_what_depends_on_a_swapped_pair_has_no_number_and_says_why(
    plant: Plant, sound: Stored, tmp_path: Path
) -> None:
    history = sound.swapped()
    derivation = Derivation(plant)
    before = derivation.run(history.frame()).readings
    findings = await looked(plant, tmp_path, history)
    assert findings.count() == 1
    frame = findings.withheld(history.frame())
    why = "CH-1.chws_temp may be swapped with CH-1.chwr_temp: see findings"
    for name in SWAP:
        assert frame.readings[name].value is None
        assert (frame.readings[name].quality, frame.readings[name].reason) == (Quality.BAD, why)
    depends = set(SWAP)
    for name, signal in derivation.signals.items():
        if depends & set(signal.inputs) and not name.endswith("_imbalance"):
            depends.add(name)
    after = derivation.run(frame).readings
    told = [name for name in depends - set(SWAP) if before[name].value is not None]
    assert {"CH-1.cooling_load", "CH-1.chw_delta_t", "CH-1.evap_approach", "PLANT.cooling_load"} <= set(told)
    assert [name for name in depends - set(SWAP) if after[name].value is not None] == []
    assert after["CH-2.cooling_load"].value is not None


async def test_a_balance_of_the_quarter_of_an_hour_before_a_finding_is_withheld_until_it_is_over(
    plant: Plant, sound: Stored, tmp_path: Path
) -> None:
    periodic = Derivation(plant).reconciliation.signals
    clock = ManualClock(int(sound.at_ms[-1]))
    findings = Findings(plant, tmp_path, clock, sound.swapped(), periodic)
    await findings.look()
    frame = sound.frame()
    late = Frame(
        2, frame.at_ms, {**frame.readings, "CH-1.heat_imbalance": good(9.0, 0), "CH-2.heat_imbalance": good(1.0, 0)}
    )
    seen = findings.withheld(late).readings
    assert seen["CH-1.heat_imbalance"].reason.startswith("needs CH-1.chw")
    assert seen["CH-1.heat_imbalance"].value is None
    assert seen["CH-2.heat_imbalance"].value == 1.0
    over = replace(late, at_ms=late.at_ms + 31 * 60_000)
    assert findings.withheld(over).readings["CH-1.heat_imbalance"].value == 9.0


async def test_a_sound_plant_has_no_finding_and_its_frame_is_left_alone(
    plant: Plant, sound: Stored, tmp_path: Path
) -> None:
    findings = await looked(plant, tmp_path, sound)
    frame = sound.frame()
    assert findings.count() == 0
    assert findings.last["judged"] > 40
    assert findings.withheld(frame) is frame


async def test_accepting_shows_the_exact_lines_and_leaves_the_file_alone(
    plant: Plant, sound: Stored, tmp_path: Path
) -> None:
    findings = await looked(plant, tmp_path, sound.swapped())
    file = Path(plant.folder) / "points.csv"
    before = file.read_text(encoding="utf-8")
    (row,) = (await findings.state({}))["open"]
    answer = await findings.decide({"finding": row["finding"]["id"], "decision": "accept", "person": "jd"})
    assert file.read_text(encoding="utf-8") == before
    changed = before.splitlines()
    assert len(answer["changes"]) == 2
    for line in answer["changes"]:
        assert changed[line["number"] - 1] == line["before"]
        changed[line["number"] - 1] = line["after"]
    assert findings.withheld(sound.frame()).readings[SWAP[0]].value is None  # until the description says so
    file.write_text("\n".join(changed) + "\n", encoding="utf-8")
    try:
        corrected = load_plant(Path(plant.folder))
    finally:
        file.write_text(before, encoding="utf-8")
    for one, other in (SWAP, SWAP[::-1]):
        assert corrected.points[one].address == plant.points[other].address
    again = Findings(corrected, tmp_path, ManualClock(int(sound.at_ms[-1])), sound)
    assert again.count() == 0
    assert (await again.state({}))["past"][0]["why"] == "the plant description was changed"


async def test_it_is_right_takes_a_name_and_a_reason_and_outlives_a_restart(
    plant: Plant, sound: Stored, tmp_path: Path
) -> None:
    history = sound.swapped()
    findings = await looked(plant, tmp_path, history)
    name = (await findings.state({}))["open"][0]["finding"]["id"]
    for wrong in (
        {"finding": name, "decision": "right", "person": "jd", "reason": "short"},
        {"finding": name, "decision": "right", "person": "", "reason": "heat pump operation this week"},
        {"finding": name, "decision": "perhaps", "person": "jd"},
        {"finding": "none", "decision": "accept", "person": "jd"},
        {"finding": name, "decision": "accept", "person": "jd", "proposal": 9},
    ):
        with pytest.raises(AskRefused):
            await findings.decide(wrong)
    assert findings.count() == 1
    reason = "heat pump operation this week"
    await findings.decide({"finding": name, "decision": "right", "person": "jd", "reason": reason})
    again = await looked(plant, tmp_path, history)
    assert again.count() == 0
    assert again.withheld(history.frame()).readings[SWAP[0]].value is not None
    (decided,) = (await again.state({}))["decided"]
    assert (decided["person"], decided["reason"]) == ("jd", reason)


async def test_an_open_finding_outlives_a_restart_and_a_machine_that_stands(
    plant: Plant, sound: Stored, tmp_path: Path
) -> None:
    await looked(plant, tmp_path, sound.swapped())
    standing = Stored(sound.at_ms, {**sound.values, "CH-1.status": np.zeros(sound.at_ms.size)})
    again = await looked(plant, tmp_path, standing)
    assert again.count() == 1
    assert again.withheld(sound.frame()).readings[SWAP[1]].value is None


async def test_a_finding_whose_balances_close_by_themselves_ends_and_is_on_record(
    plant: Plant, sound: Stored, tmp_path: Path
) -> None:
    await looked(plant, tmp_path, sound.swapped())
    again = await looked(plant, tmp_path, sound)
    assert again.count() == 0
    assert (await again.state({}))["past"][0]["why"] == "its balances close by themselves now"


async def test_a_file_that_cannot_be_used_is_named_and_set_aside(plant: Plant, sound: Stored, tmp_path: Path) -> None:
    (tmp_path / "findings.json").write_text("{", encoding="utf-8")
    findings = await looked(plant, tmp_path, sound)
    assert "decisions of before are not known" in (await findings.state({}))["trouble"]
    assert (tmp_path / "findings.unreadable").exists()


@pytest.mark.parametrize(
    ("reason", "number"),
    [
        ("280000 kW is outside -100..50000 kW", 280_000.0),
        ("-1441 gpm is outside -79.25..792515 gpm", -1_441.0),
        ("2.8e+08 °F is above 392 °F", 2.8e8),
        ("12 is below 13", 12.0),
        ("fault at the device: no sensor", np.nan),
        ("not renewed; last value 4 min ago", np.nan),
    ],
)
def test_the_number_of_a_refused_reading_is_read_from_its_reason(reason: str, number: float) -> None:
    assert told_number(reason) == pytest.approx(number, nan_ok=True)


def test_a_changed_refrigerant_is_the_line_of_the_template_that_names_it(plant: Plant) -> None:
    (line,) = refrigerant_lines(Path(plant.folder), "CH-1", "R-134a", "R-513A")
    text = (Path(plant.folder) / "plant.toml").read_text(encoding="utf-8").splitlines()
    assert text[line.number - 1] == line.before == 'refrigerant = "R-134a"'
    assert line.after == 'refrigerant = "R-513A"'


def test_a_new_column_comes_with_the_first_line(plant: Plant) -> None:
    head, row = point_lines(Path(plant.folder), [Edit("chw-supply.temp", (("correction", "-0.3"),))])
    assert head.number == 1
    cells = dict(zip(next(csv.reader([head.after])), next(csv.reader([row.after])), strict=True))
    assert (cells["equipment"], cells["correction"], cells["unit"]) == ("chw-supply", "-0.3", "degF")


# --- offsets -----------------------------------------------------------------------------------
def idle(plant: Plant, off_k: float, wander_k: float = 0.0) -> Window:
    """Return half an hour in which CH-1 stands with its pump on, one of its sensors off by ``off_k``."""
    rows = 60
    at_ms = np.arange(rows, dtype=np.int64) * 30_000
    water = 12.0 + wander_k * np.linspace(0.0, 1.0, rows)
    values = {"CH-1.status": np.zeros(rows), "CH-1.chw_flow_proof": np.ones(rows)}
    values |= {"CH-1.chws_temp": water + off_k, "CH-1.chwr_temp": water, "chw-return.temp": water + 0.02}
    return Window(at_ms, values)


def test_sensors_in_the_same_still_warm_water_are_compared(plant: Plant) -> None:
    (found,) = compare(plant, places(plant), idle(plant, 0.4))
    assert found.place == "CH-1 CHW"
    assert found.sensors == pytest.approx({"CH-1.chws_temp": 0.38, "CH-1.chwr_temp": -0.02, "chw-return.temp": 0.0})


def test_nothing_is_compared_while_water_changes_or_the_machine_runs(plant: Plant) -> None:
    assert compare(plant, places(plant), idle(plant, 0.4, wander_k=2.0)) == ()
    running = idle(plant, 0.4)
    assert compare(plant, places(plant), running.with_values({"CH-1.status": np.ones(60)})) == ()
    assert compare(plant, places(plant), running.with_values({"CH-1.chw_flow_proof": np.zeros(60)})) == ()


async def test_a_thermometer_reading_becomes_a_line_with_its_offset(
    plant: Plant, sound: Stored, tmp_path: Path
) -> None:
    findings = await looked(plant, tmp_path, sound)
    shown = float(sound.values["chw-supply.temp"][-1])
    keep = findings.answers()["thermometer"]
    row = await keep(
        {"point": "chw-supply.temp", "value": shown - 0.5, "unit": "degF", "person": "jd", "note": "well 3"}
    )
    assert row["thermometer_c"] - row["sensor_c"] == pytest.approx(-0.5 / 1.8, abs=2e-3)
    table = (await findings.state({}))["offsets"]["rows"]
    offset = next(each for each in table if each["point"] == "chw-supply.temp")
    assert offset["proposed"] == pytest.approx(-0.5, abs=0.01)
    assert offset["changes"][-1]["after"].endswith(",-0.5")
    again = Findings(plant, tmp_path, ManualClock(int(sound.at_ms[-1])), sound)
    assert (await again.state({}))["offsets"]["thermometer"][0]["person"] == "jd"
    for wrong in ({"value": "warm"}, {"unit": "K"}, {"value": 900.0}, {"person": ""}, {"point": "CH-1.power"}):
        with pytest.raises(AskRefused):
            await keep({"point": "chw-supply.temp", "value": 44.0, "unit": "degF", "person": "jd", **wrong})


def test_an_accepted_offset_counts_in_what_is_worked_out_and_is_told_with_the_point(plant: Plant) -> None:
    from plantview.model.signal import signal_of

    head, row = point_lines(Path(plant.folder), [Edit("CH-1.chws_temp", (("correction", "0.5"),))])
    file = Path(plant.folder) / "points.csv"
    before = file.read_text(encoding="utf-8")
    lines = before.splitlines()
    lines[0], lines[row.number - 1] = head.after, row.after
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    try:
        point = load_plant(Path(plant.folder)).points["CH-1.chws_temp"]
    finally:
        file.write_text(before, encoding="utf-8")
    assert point.unit.to_canonical(43.5) == pytest.approx((44.0 - 32.0) / 1.8)
    assert point.correction == 0.5
    assert "accepted offset of +0.5 °F" in signal_of(point).note
    assert plant.points["CH-1.chws_temp"].unit == replace(point.unit, offset=point.unit.offset - 0.5 / 1.8)


@pytest.mark.parametrize(
    ("point", "cell", "said"),
    [
        ("CH-1.chws_temp", "9", "more than a good sensor drifts"),
        ("CH-1.chws_temp", "warm", "is not a number"),
        ("CH-1.setpoint", "0.5", "no sensor that takes an offset"),
        ("CH-1.chw_flow", "5", "no sensor that takes an offset"),
    ],
)
def test_an_offset_that_cannot_be_right_is_a_problem_of_the_description(
    plant: Plant, tmp_path: Path, point: str, cell: str, said: str
) -> None:
    from plantview.errors import ConfigError

    folder = tmp_path / "larkfield"
    shutil.copytree(plant.folder, folder)
    head, row = point_lines(folder, [Edit(point, (("correction", cell),))])
    lines = (folder / "points.csv").read_text(encoding="utf-8").splitlines()
    lines[0], lines[row.number - 1] = head.after, row.after
    (folder / "points.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        load_plant(folder)
    assert said in str(refused.value)
