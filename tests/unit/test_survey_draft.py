"""The draft: nothing in it is watched until a person accepts it, and an accepted row is a good row."""

from __future__ import annotations

import csv
import shutil
import tomllib
from pathlib import Path

from plantview.config import load_plant
from plantview.config.points import COLUMNS
from plantview.drivers.bacnet_facts import Announced, ObjectFacts
from plantview.surveying.draft import DOUBTED, POINTS_FILE, Row, device_names, rows, write
from plantview.surveying.report import suggestion_lines
from plantview.surveying.results import FoundDevice, FoundUnit, Survey


def one(
    identifier: str, name: str, units: str = "", value: float | int | None = 1.0, states: tuple[str, ...] = ()
) -> ObjectFacts:
    return ObjectFacts(identifier, name, "", units, value, states, (), (), False, "")


def survey(*found: ObjectFacts, name: str = "BC-1", instance: int = 200101) -> Survey:
    announced = Announced(instance, "127.0.0.1:47911", 1024, "segmented-both", 999)
    device = FoundDevice(
        announced,
        1,
        {"object-name": name},
        [each.identifier for each in found],
        "whole",
        {each.identifier: each for each in found},
    )
    return Survey({device.key: device})


def read(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def drafted(found: Survey, folder: Path, *, suggesting: bool = True) -> tuple[list[Row], list[dict[str, str]]]:
    made = rows(found, suggesting=suggesting)
    write(found, folder, made, suggesting=suggesting)
    return made, read(folder / POINTS_FILE)


def test_every_row_is_a_comment_until_it_is_accepted(tmp_path: Path) -> None:
    found = survey(one("analog-input,1", "CH1_KW", "kilowatts", 200.0), one("analog-input,2", "whatever"))
    _, points = drafted(found, tmp_path)
    assert [row["equipment"] for row in points] == ["#CH-1", "#"]
    assert list(points[0]) == list(COLUMNS)


def test_a_draft_put_into_a_plant_changes_nothing_and_an_accepted_row_is_a_point(
    checkout: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "larkfield"
    shutil.copytree(checkout / "config" / "larkfield", folder)
    before = load_plant(folder)
    found = survey(
        one("analog-input,901", "CH1_EVAP_DP", "kilopascals", 54.0),
        one("multi-state-input,902", "SCHWP9_HOA", "", 3, ("HAND", "OFF", "AUTO")),
        one("binary-input,903", "CH1_LOC_REM", "", 1, ("LOCAL", "REMOTE")),
    )
    _, points = drafted(found, tmp_path / "draft")
    _append(folder / POINTS_FILE, points)
    assert load_plant(folder) == before
    _append(
        folder / POINTS_FILE,
        [{**row, "equipment": row["equipment"].lstrip("#")} for row in points if "SCHWP" not in row["equipment"]],
    )
    added = load_plant(folder).points
    assert added["CH-1.evap_dp"].unit.name == "kPa"
    assert added["CH-1.local_remote"].states == {0: "LOCAL", 1: "REMOTE"}
    assert points[1]["states"] == "1=HAND|2=OFF|3=AUTO"


def _append(file: Path, added: list[dict[str, str]]) -> None:
    old = read(file)
    with file.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, COLUMNS, restval="")
        writer.writeheader()
        writer.writerows([*old, *added])


def test_without_suggestions_equipment_and_measurement_stay_empty(tmp_path: Path) -> None:
    _, points = drafted(survey(one("analog-input,1", "CH1_KW", "kilowatts")), tmp_path, suggesting=False)
    assert (points[0]["equipment"], points[0]["measurement"]) == ("#", "")
    assert not (tmp_path / "suggestions.csv").exists()


def test_a_unit_that_the_value_contradicts_lowers_the_confidence_and_is_told(tmp_path: Path) -> None:
    made, _ = drafted(survey(one("analog-input,1", "CH1_CHWST", "degrees-fahrenheit", 6.8)), tmp_path)
    assert made[0].suggestion.confidence == DOUBTED
    assert "probably degC" in made[0].doubt
    assert any("probably degC" in line for line in suggestion_lines(made))
    (told,) = read(tmp_path / "suggestions.csv")
    assert "probably degC" in told["unit_doubt"]
    assert float(told["confidence"]) == DOUBTED


def test_a_name_that_a_spreadsheet_would_take_for_a_formula_is_defused(tmp_path: Path) -> None:
    _, points = drafted(survey(one("analog-input,1", '=HYPERLINK("x")', "kilowatts")), tmp_path)
    assert points[0]["description"].startswith("'=")
    assert read(tmp_path / "suggestions.csv")[0]["name"].startswith("'=")


def test_devices_get_names_that_a_plant_may_use(tmp_path: Path) -> None:
    odd = survey(one("analog-input,1", "x"), name='Räume "3"\n]', instance=12)
    assert list(device_names(odd).values()) == ["BC-12"]
    write(odd, tmp_path, rows(odd, suggesting=False), suggesting=False)
    tables = tomllib.loads((tmp_path / "devices.toml").read_text(encoding="utf-8"))
    assert tables["devices"]["BC-12"] == {
        "label": "",
        "protocol": "bacnet",
        "address": "127.0.0.1:47911",
        "instance": 12,
    }


def test_two_devices_of_one_name_and_instance_keep_names_of_their_own() -> None:
    two = survey(one("analog-input,1", "x"), name="peer")
    other = FoundDevice(Announced(200101, "127.0.0.1:47912", 480, "no-segmentation", 1), 1, {"object-name": "peer"})
    two.devices[other.key] = other
    names = list(device_names(two).values())
    assert len(set(names)) == 2
    assert all(name.startswith("BC-200101-at-127") for name in names)


def test_registers_are_drafted_under_their_likely_type(tmp_path: Path) -> None:
    unit = FoundUnit(
        "192.0.2.9:502", 3, True, "answers", {"holding": {100: 441, 101: 0}, "input": {20: 0x4330, 21: 0x8000}}
    )
    found = Survey({}, {unit.key: unit})
    _, points = drafted(found, tmp_path)
    assert [(row["device"], row["address"], row["type"], row["order"]) for row in points] == [
        ("192-0-2-9-U3", "holding 100", "uint16", "ABCD"), ("192-0-2-9-U3", "input 20", "float32", "ABCD"),
    ]  # fmt: skip
    assert points[1]["description"] == "read as 176.5"
    assert (
        tomllib.loads((tmp_path / "devices.toml").read_text(encoding="utf-8"))["devices"]["192-0-2-9-U3"]["unit_id"]
        == 3
    )
