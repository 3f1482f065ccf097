"""``plantview import`` as a person types it: a first map, a dry run, the real thing, and what stands in the way."""

from __future__ import annotations

from pathlib import Path

import pytest

from plantview import cli
from plantview.config.bundled import bundled
from plantview.history import Archive
from plantview.process import owned

FOLDER = str(bundled("plants") / "orchard")
POWER = "CH-1.power"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "log.csv"
    rows = "".join(f"2026-06-01 0{hour}:00,{100 + hour}\n" for hour in range(9))
    file.write_text("Time,CH-1 power [kW]\n" + rows, encoding="utf-8")
    return file


def test_from_a_log_to_history_in_three_commands(tmp_path: Path, log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = tmp_path / "data"
    assert cli.main(["import", "--start-map", str(log), FOLDER]) == 0
    column_map = tmp_path / "log.map.toml"
    assert f'point = "{POWER}"' in column_map.read_text(encoding="utf-8")
    taking = ["import", str(log), FOLDER, "--columns", str(column_map), "--data", str(data)]
    assert cli.main([*taking, "--dry-run"]) == 0
    assert not data.exists(), "a dry run writes nothing"
    assert "9 readings would be taken" in capsys.readouterr().out
    assert cli.main(taking) == 0
    assert "9 readings taken" in capsys.readouterr().out
    assert Archive(data).range(POWER, 0, 2**45).values.tolist() == [100.0 + hour for hour in range(9)]
    assert cli.main(taking) == 0
    assert len(Archive(data).range(POWER, 0, 2**45).at_ms) == 9, "the same log twice is the same history"


def test_a_map_that_a_person_has_worked_on_is_never_overwritten(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mine = log.with_suffix(".map.toml")
    mine.write_text("mine", encoding="utf-8")
    assert cli.main(["import", "--start-map", str(log), FOLDER]) == 2
    assert mine.read_text(encoding="utf-8") == "mine"
    assert "exists already and is left as it is" in capsys.readouterr().err


def test_without_a_map_the_command_says_how_to_get_one(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["import", str(log), FOLDER]) == 2
    assert "plantview import --start-map" in capsys.readouterr().err


def test_a_folder_in_use_takes_nothing(tmp_path: Path, log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["import", "--start-map", str(log), FOLDER]) == 0
    data = tmp_path / "data"
    with owned(data):
        column_map = str(log.with_suffix(".map.toml"))
        assert cli.main(["import", str(log), FOLDER, "--columns", column_map, "--data", str(data)]) == 2
    assert "is in use by process" in capsys.readouterr().err
    assert Archive(data).names() == []


def test_a_log_of_which_nothing_fits_is_a_failure_with_its_report(
    tmp_path: Path, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["import", "--start-map", str(log), FOLDER]) == 0
    log.write_text(log.read_text(encoding="utf-8").replace(",10", ",99999910"), encoding="utf-8")
    column_map = str(log.with_suffix(".map.toml"))
    data = ["--data", str(tmp_path / "data")]
    assert cli.main(["import", str(log), FOLDER, "--columns", column_map, *data]) == 1
    said = capsys.readouterr()
    assert "9 beyond the point's range" in said.out
    assert "nothing was taken; the lines above say why" in said.err
