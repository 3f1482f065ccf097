"""One word of a good plant description is changed per case; the message must name place, line and remedy."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from plantview.config import load_plant, read_plant
from plantview.config.bundled import bundled_plants
from plantview.errors import ConfigError, Problem

LARKFIELD = bundled_plants()["larkfield"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a copy of the demo plant that a test may spoil."""
    return Path(shutil.copytree(LARKFIELD, tmp_path / "plant"))


def spoil(file: Path, old: str, new: str) -> int:
    """Replace the first ``old`` and return the line where it stood."""
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    return text[: text.index(old)].count("\n") + 1


PLANT_CASES = [
    (
        "unknown table",
        "[actuators.ACT-TB]",
        "[actuator.ACT-TB]",
        "unknown table 'actuator'",
        "did you mean 'actuators'",
    ),
    (
        "unknown key in a device",
        'label = "chiller 1 panel"',
        'lable = "chiller 1 panel"',
        "unknown key 'lable'",
        "did you mean 'label'",
    ),
    (
        "unknown key in equipment",
        'drive = "constant speed"\nflow',
        'drive = "constant speed"\nflwo = "1 L/s"\nflow',
        "a pump has no 'flwo'",
        "did you mean 'flow'",
    ),
    ("unknown unit", 'evap_dp = "60 kPa"', 'evap_dp = "60 kpa"', "unknown unit 'kpa'", "unit"),
    (
        "unit of another quantity",
        'evap_dp = "60 kPa"',
        'evap_dp = "60 degC"',
        "'degC' is no unit of pressure_difference",
        "unit",
    ),
    ("number without unit", 'min_speed = "20 %"', "min_speed = 20", "unknown unit ''", "unit"),
    ("unknown kind", 'kind = "basin"', 'kind = "basim"', "unknown kind 'basim'", "did you mean 'basin'"),
    (
        "no such template",
        'CWP-3 = { use = "condenser-pump" }',
        'CWP-3 = { use = "condensor-pump" }',
        "no template 'condensor-pump'",
        "condenser-pump",
    ),
    (
        "fan of nothing",
        'use = "fan", part_of = "CT-2"',
        'use = "fan", part_of = "CT-9"',
        "no equipment or header 'CT-9'",
        "did you mean",
    ),
    (
        "fan of a pump",
        'use = "fan", part_of = "CT-2"',
        'use = "fan", part_of = "CWP-1"',
        "'CWP-1' is no tower_cell",
        "tower_cell",
    ),
    ("unknown equipment in a branch", '["PCHWP-3"]]', '["PCHWP-4"]]', "no equipment 'PCHWP-4'", "did you mean"),
    (
        "side that a chiller has not",
        '"CH-2.evaporator"',
        '"CH-2.evap"',
        "names no water circuit of a chiller",
        "CH-2.evaporator",
    ),
    ("dry equipment in a branch", '[["PCHWP-1"]', '[["WEATHER"]', "carries no water", "pumps, machines and valves"),
    ("branch without its machine", '["CH-3.evaporator", "V-CH3"]', '["V-CH3"]', "has no chiller", "add the chiller"),
    ("port used twice", '["PCHWP-2"]', '["PCHWP-1"]', "port 'PCHWP-1' is used 2 times", "exactly once"),
    ("port not used", ', ["SCHWP-2"]]', "]", "port 'SCHWP-2' stands in no loop", "put it into a branch"),
    (
        "header not declared",
        'from = "sec-out", to = "chw-return"',
        'from = "sec-out", to = "chw-retrun"',
        "'buildings' names 'chw-retrun'",
        "did you mean",
    ),
    (
        "header without inflow",
        'id = "primary-pumps", kind = "pump", from = "chw-return", to = "pri-out"',
        'id = "primary-pumps", kind = "pump", from = "chw-return", to = "chw-supply"',
        "header 'pri-out' has no inflow",
        "let a stage",
    ),
    (
        "loop that does not close",
        'id = "towers", kind = "tower_cell", from = "riser", to = "basin"',
        'id = "towers", kind = "tower_cell", from = "riser", to = "cwr"',
        "the water never comes back to 'basin'",
        "lead back",
    ),
    (
        "stage on no ring",
        'id = "secondary-pumps", kind = "pump", from = "chw-supply", to = "sec-out"',
        'id = "secondary-pumps", kind = "pump", from = "sec-out", to = "sec-out"',
        "'secondary-pumps'",
        "from and to",
    ),
    ("start that is no header", 'start = "basin"', 'start = "bassin"', "'bassin' is no header", "did you mean 'basin'"),
    ("open header that is none", 'open_header = "basin"', 'open_header = "sump"', "'sump' is no header", "known"),
    ("bacnet device without instance", "instance = 200101\n", "", "needs instance", "add instance"),
    ("modbus device with instance", "unit_id = 11", "instance = 11", "has no instance", "use unit_id"),
    ("same unit twice", "unit_id = 2", "unit_id = 1", "are the same device", "correct one"),
    ("adapter without mask", 'address = "127.0.0.1/8"', 'address = "127.0.0.1"', "has no mask", "with its mask"),
    ("adapter on a device's port", "port = 47900", "port = 47911", "is the adapter's own", "another port"),
    ("port out of range", "127.0.0.1:47911", "127.0.0.1:99999", "port 99999 is out of range", "1 to 65535"),
    ("zone that does not exist", "America/Chicago", "America/Chikago", "no time zone", "IANA"),
    (
        "period of the wrong type",
        "instance = 200101\nperiod_s = 5",
        'instance = 200101\nperiod_s = "5"',
        "does not fit",
        "correct the value",
    ),
    (
        "valve of an actuator",
        'valves = ["V-TWR", "V-TB"]',
        'valves = ["V-TWR", "V-TBB"]',
        "no valve 'V-TBB'",
        "did you mean 'V-TB'",
    ),
    ("simulation key", "peak_hour", "peek_hour", "peek_hour", "did you mean 'peak_hour'"),
]


@pytest.mark.parametrize(
    ("old", "new", "wrong", "remedy"), [case[1:] for case in PLANT_CASES], ids=[case[0] for case in PLANT_CASES]
)
def test_each_mistake_in_plant_toml_is_named_with_line_and_remedy(
    folder: Path, old: str, new: str, wrong: str, remedy: str
) -> None:
    line = spoil(folder / "plant.toml", old, new)
    _, problems = read_plant(folder)
    matching = [problem for problem in problems if wrong in problem.wrong]
    assert matching, [str(problem) for problem in problems]
    assert any(remedy in problem.remedy or remedy in problem.wrong for problem in matching)
    assert all(problem.file.endswith("plant.toml") for problem in matching)
    assert any(problem.line for problem in matching), "a line must be named"
    assert line > 0


EXACT_LINES = [
    "unknown key in a device",
    "unknown unit",
    "unknown kind",
    "no such template",
    "fan of nothing",
    "branch without its machine",
    "start that is no header",
    "same unit twice",
]


@pytest.mark.parametrize("name", EXACT_LINES)
def test_the_line_named_is_the_line_of_the_mistake_or_of_its_table(folder: Path, name: str) -> None:
    _, old, new, wrong, _ = next(case for case in PLANT_CASES if case[0] == name)
    line = spoil(folder / "plant.toml", old, new)
    _, problems = read_plant(folder)
    text = (folder / "plant.toml").read_text(encoding="utf-8").splitlines()
    found = next(problem for problem in problems if wrong in problem.wrong)
    assert found.line == line or text[found.line - 1].startswith("["), (found, line)


POINT_CASES = [
    ("unknown measurement", "CWP-1,speed,", "CWP-1,sped,", "a pump has no measurement 'sped'", "did you mean 'speed'"),
    ("unknown equipment", "CWP-1,speed,", "CWP-9,speed,", "no equipment or header 'CWP-9'", "did you mean"),
    ("unknown device", "CWP-1,speed,BC-1", "CWP-1,speed,BC-7", "no device 'BC-7'", "BC-1"),
    ("unknown unit", '"analog-input,2",,,,,kW', '"analog-input,2",,,,,kw', "unknown unit 'kw'", "unit"),
    (
        "pressure without gauge or absolute",
        "CH-1-PANEL,holding 104,int16,,0.1,,psig",
        "CH-1-PANEL,holding 104,int16,,0.1,,psi",
        "does not say gauge or absolute",
        "psig or psia",
    ),
    ("object type", 'analog-input,1"', 'analogue-input,1"', "names no BACnet object", "analog-input"),
    ("two points on one measurement", "CWP-2,speed,", "CWP-1,speed,", "two points on CWP-1.speed", "keep one"),
    ("two points on one address", '"analog-input,2"', '"analog-input,1"', "read the same address", "correct one"),
    ("modbus address", "holding 100,", "register 100,", "is no Modbus address", "holding 100"),
    ("modbus type", "holding 100,int16", "holding 100,short", "is no Modbus type", "int16"),
    ("byte order", "uint32,CDAB", "uint32,CADB", "is no byte order", "did you mean 'CDAB'"),
    ("scale of zero", "int16,,0.1,,degF", "int16,,0,,degF", "is no scale", "plain number"),
    ("state table", "0=OFF|1=ON", "OFF|ON", "is not NUMBER=WORD", "0=OFF|1=RUN"),
    ("pressure to a foreign header", "dp_to:chw-return", "dp_to:basin", "is no header of the same loop", "chw-return"),
    ("unknown column", "low,high,na", "low,hihg,na", "unknown column 'hihg'", "did you mean 'high'"),
    (
        "missing column",
        "equipment,measurement,device,address",
        "equipment,measurement,device,adress",
        "column 'address' is missing",
        "columns",
    ),
    ("sentinel", "0x8000", "8000h", "is no raw value", "0x8000"),
]


@pytest.mark.parametrize(
    ("old", "new", "wrong", "remedy"), [case[1:] for case in POINT_CASES], ids=[case[0] for case in POINT_CASES]
)
def test_each_mistake_in_points_csv_is_named_with_its_line_and_remedy(
    folder: Path, old: str, new: str, wrong: str, remedy: str
) -> None:
    line = spoil(folder / "points.csv", old, new)
    _, problems = read_plant(folder)
    matching = [problem for problem in problems if wrong in problem.wrong]
    assert matching, [str(problem) for problem in problems]
    assert any(remedy in problem.remedy or remedy in problem.wrong for problem in matching)
    assert line in {problem.line for problem in matching}


def test_one_mistake_is_one_problem_however_many_rows_depend_on_it(folder: Path) -> None:
    spoil(folder / "plant.toml", 'kind = "basin"', 'kind = "basim"')
    spoil(folder / "plant.toml", "[templates.cell]\nkind", "[templates.cell]\nkindd")
    spoil(folder / "plant.toml", "instance = 200101\n", "")
    _, problems = read_plant(folder)
    named = [problem.wrong for problem in problems]
    assert len(named) == len(set(named))
    assert not [text for text in named if "no equipment" in text or "no device" in text], named


def test_all_problems_of_both_files_are_listed_at_once(folder: Path) -> None:
    spoil(folder / "plant.toml", 'kind = "basin"', 'kind = "basim"')
    spoil(folder / "plant.toml", "unit_id = 2", "unit_id = 1")
    spoil(folder / "points.csv", "CWP-1,speed,", "CWP-1,sped,")
    with pytest.raises(ConfigError) as caught:
        load_plant(folder)
    text = str(caught.value)
    assert "basim" in text
    assert "same device" in text
    assert "sped" in text


def test_a_folder_that_does_not_exist_is_said_so(tmp_path: Path) -> None:
    plant, problems = read_plant(tmp_path / "nowhere")
    assert plant is None
    assert "there is no folder" in problems[0].wrong


def test_a_missing_point_list_is_said_so(folder: Path) -> None:
    (folder / "points.csv").unlink()
    _, problems = read_plant(folder)
    assert any("point list is missing" in problem.wrong for problem in problems)


def test_broken_toml_names_the_line(folder: Path) -> None:
    line = spoil(folder / "plant.toml", "[loops.chw]", "[loops.chw")
    plant, problems = read_plant(folder)
    assert plant is None
    assert problems[0].line == line


def test_a_newer_schema_is_refused_with_the_remedy(folder: Path) -> None:
    spoil(folder / "plant.toml", "schema = 1", "schema = 2")
    plant, problems = read_plant(folder)
    assert plant is None
    assert problems == [
        Problem(
            str(folder / "plant.toml"),
            3,
            "schema",
            "schema 2 is newer than this plantview understands (1)",
            "install a newer plantview",
        )
    ]


@pytest.mark.parametrize("name", ["larkfield", "orchard"])
def test_the_example_plants_have_no_problem(name: str) -> None:
    plant, problems = read_plant(bundled_plants()[name])
    assert problems == []
    assert plant is not None
    assert len(plant.points) > 50


def test_a_point_list_saved_with_semicolons_loads_the_same(folder: Path) -> None:
    import csv

    before = load_plant(folder)
    file = folder / "points.csv"
    rows = list(csv.reader(file.read_text(encoding="utf-8").splitlines()))
    with file.open("w", encoding="utf-8-sig", newline="") as out:
        csv.writer(out, delimiter=";").writerows(rows)
    assert load_plant(folder).points == before.points
