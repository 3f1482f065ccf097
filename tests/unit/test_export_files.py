"""Exports: whole or not at all, with units, both clocks and qualities; and what was exported can be imported again."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from plantview import cli
from plantview.cli_export import chosen
from plantview.cli_span import moment_ms, span_of
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.errors import HistoryError, StartRefused
from plantview.history import Archive, Samples, Store
from plantview.importing.export import write_csv
from plantview.model.signal import signal_of

FOLDER = bundled("plants") / "orchard"
PLANT = load_plant(FOLDER)
TEMP, STATUS = "CH-1.chws_temp", "CH-1.status"
SIGNALS = [signal_of(PLANT.points[name]) for name in (TEMP, STATUS)]
DAY_MS = 86_400_000
START_MS = 1_761_343_200_000
"""2025-10-24T22:00Z: two local days of Vienna follow, the second of 25 hours."""


def quiet(_done: int, _whole: int) -> None: ...


def stored(data: Path) -> dict[str, Samples]:
    at_ms = np.arange(START_MS, START_MS + 49 * 3_600_000, 600_000, dtype=np.int64)
    values = np.round(7 + np.sin(np.arange(len(at_ms)) / 9), 2)
    quality = np.zeros(len(at_ms), np.uint8)
    quality[5:8] = 3
    values[5:8] = np.nan
    found = {
        TEMP: Samples(at_ms, values, quality, tuple("no answer" if mark else "" for mark in quality.tolist())),
        STATUS: Samples(
            at_ms[::2], (np.arange(len(at_ms[::2])) % 2).astype(float), quality[::2] * 0, ("",) * len(at_ms[::2])
        ),
    }
    store = Store(data, {signal.name: signal for signal in SIGNALS}, ManualClock(START_MS + 3 * DAY_MS))
    store.backfill(found)
    store.close()
    return found


def test_a_csv_has_both_clocks_and_no_number_where_there_was_none(tmp_path: Path) -> None:
    found = stored(tmp_path / "data")
    target = tmp_path / "out.csv"
    span = (START_MS, START_MS + 49 * 3_600_000)
    rows = write_csv(target, SIGNALS, Archive(tmp_path / "data").range, span, PLANT.zone, "reported", quiet)
    lines = list(csv.reader(target.read_text(encoding="utf-8-sig").splitlines()))
    assert rows == len(lines) - 1 == len(found[TEMP].at_ms)
    assert lines[0][:4] == ["utc", "local (Europe/Vienna)", f"{TEMP} [°C]", f"{TEMP} quality"]
    assert lines[1][:2] == ["2025-10-24T22:00:00.000Z", "2025-10-25 00:00:00.000"]
    assert [line[2:4] for line in lines[6:9]] == [["", "BAD"]] * 3
    assert lines[2][4:] == ["", ""]
    assert [float(line[2]) for line in lines[9:12]] == found[TEMP].values[8:11].tolist()
    assert lines[1][4] == "OFF"
    # the repeated hour: 02:00 stands twice on the local clock and once on UTC
    local = [line[1] for line in lines[1:]]
    assert local.count("2025-10-26 02:00:00.000") == 2
    assert len({line[0] for line in lines}) == len(lines)


def test_what_was_exported_can_be_imported_again_without_a_loss(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = stored(tmp_path / "data")
    target, again = tmp_path / "out.csv", tmp_path / "again"
    assert (
        cli.main(["export", str(FOLDER), "--point", "CH-1.*", "--out", str(target), "--data", str(tmp_path / "data")])
        == 0
    )
    column_map = tmp_path / "map.toml"
    column_map.write_text(
        'schema = 1\n[time]\ncolumns = ["utc"]\nformat = "iso"\nzone = "UTC"\n'
        f'[[columns]]\ncolumn = "{TEMP} [°C]"\npoint = "{TEMP}"\nunit = "degC"\n'
        f'[[columns]]\ncolumn = "{STATUS}"\npoint = "{STATUS}"\n',
        encoding="utf-8",
    )
    assert cli.main(["import", str(target), str(FOLDER), "--columns", str(column_map), "--data", str(again)]) == 0
    assert "plantview recompute" in capsys.readouterr().out
    for name in (TEMP, STATUS):
        read = Archive(again).range(name, 0, START_MS + 9 * DAY_MS)
        good = found[name].quality == 0
        assert read.at_ms.tolist() == found[name].at_ms[good].tolist()
        assert read.values.tolist() == found[name].values[good].tolist()


def test_parquet_says_the_same_as_the_store(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    found = stored(tmp_path / "data")
    target = tmp_path / "out.parquet"
    assert (
        cli.main(["export", str(FOLDER), "--point", TEMP, "--out", str(target), "--data", str(tmp_path / "data")]) == 0
    )
    table = parquet.read_table(target)
    assert table.schema.field(TEMP).metadata[b"unit"] == "°C".encode()
    assert table["utc"].cast("int64").to_pylist() == found[TEMP].at_ms.tolist()
    assert table[TEMP].to_pylist() == [None if np.isnan(value) else value for value in found[TEMP].values.tolist()]
    assert table[f"{TEMP} quality"].to_pylist()[4:9] == ["GOOD", "BAD", "BAD", "BAD", "GOOD"]


def test_a_file_that_cannot_be_finished_leaves_the_old_one_untouched(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    target.write_text("old", encoding="utf-8")

    def broken(_name: str, _from_ms: int, _to_ms: int) -> Samples:
        raise OSError(28, "No space left on device")

    with pytest.raises(HistoryError, match="No space left"):
        write_csv(target, SIGNALS, broken, (START_MS, START_MS + 1_000), PLANT.zone, "si", quiet)
    assert target.read_text(encoding="utf-8") == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["out.csv"]


def test_times_of_the_command_line_are_the_sites_unless_they_say_otherwise() -> None:
    assert moment_ms("2026-07-01", "Europe/Vienna", "--from") == 1_782_856_800_000
    assert moment_ms("2026-07-01 00:00", "UTC", "--from") == 1_782_864_000_000
    assert moment_ms("2026-07-01T00:00:00Z", "Europe/Vienna", "--from") == 1_782_864_000_000
    with pytest.raises(StartRefused, match="--to 'tomorrow' is no time; write"):
        moment_ms("tomorrow", "UTC", "--to")


def test_a_span_without_history_is_refused_with_what_there_is() -> None:
    assert span_of("", "", "UTC", (5_000, 9_000)) == (5_000, 9_001)
    with pytest.raises(StartRefused, match="no history in this data folder"):
        span_of("", "", "UTC", None)
    with pytest.raises(StartRefused, match="it reaches from 1970-01-01 00:00"):
        span_of("2026-01-01", "2026-01-02", "UTC", (5_000, 9_000))
    with pytest.raises(StartRefused, match="--from does not lie before --to"):
        span_of("2026-01-02", "2026-01-01", "UTC", (5_000, 9_000))


def test_a_value_that_does_not_exist_is_refused_with_the_nearest() -> None:
    assert [signal.name for signal in chosen(PLANT, ["CH-1.chws_tem?"])] == [TEMP]
    with pytest.raises(StartRefused, match=r"did you mean 'CH-1\.chws_temp'"):
        chosen(PLANT, ["CH-1.chws_tmp"])
