"""Whole foreign logs: layouts and file kinds, cells by kind, units, duplicates, order; nothing is ever made up."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.errors import ConfigError, LogUnreadable
from plantview.history import Report as Kept
from plantview.history import Samples
from plantview.importing.cells import Kind
from plantview.importing.column_map import read_map
from plantview.importing.first_map import first_map
from plantview.importing.log import Shape, open_log
from plantview.importing.report import Report
from plantview.importing.take import PAGE_ROWS, take_log
from plantview.model.quality import Quality

PLANT = load_plant(bundled("plants") / "orchard")
NOW_MS = 1_790_000_000_000
TEMP, POWER, STATUS = "CH-1.chws_temp", "CH-1.power", "CH-1.status"
WIDE = """
schema = 1
[time]
columns = ["Time"]
format = "%Y-%m-%d %H:%M"
zone = "UTC"
[[columns]]
column = "CHWS °F"
point = "CH-1.chws_temp"
unit = "degF"
[[columns]]
column = "kW"
point = "CH-1.power"
unit = "kW"
[[columns]]
column = "Run"
point = "CH-1.status"
states = { Running = 1, Stopped = 0 }
"""


class Keep:
    """Takes what an import gives and remembers it by point."""

    def __init__(self) -> None:
        self.found: dict[str, list[Samples]] = {}

    def backfill(self, samples: Mapping[str, Samples]) -> Kept:
        for name, each in samples.items():
            assert np.all(np.diff(each.at_ms) >= 0)
            self.found.setdefault(name, []).append(each)
        return Kept({"taken": sum(len(each.at_ms) for each in samples.values())})

    def values(self, name: str) -> list[Any]:
        return [
            None if quality == Quality.BAD else round(value, 3)
            for each in self.found.get(name, [])
            for value, quality in zip(each.values.tolist(), each.quality.tolist(), strict=True)
        ]

    def times(self, name: str) -> list[int]:
        return [at for each in self.found.get(name, []) for at in each.at_ms.tolist()]


def take(folder: Path, name: str, text: str | bytes, column_map: str = WIDE) -> tuple[Report, Keep]:
    file = folder / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return take_file(folder, file, column_map)


def take_file(folder: Path, file: Path, column_map: str = WIDE) -> tuple[Report, Keep]:
    map_file = folder / "map.toml"
    map_file.write_text(column_map, encoding="utf-8")
    made, keep = read_map(map_file, PLANT), Keep()
    return take_log(open_log(file, made.shape), made, keep, NOW_MS, PLANT.zone, lambda _done, _whole: None), keep


def kinds(report: Report, point: str) -> dict[str, int]:
    column = next(each for each in report.columns if each.point == point)
    return {kind.name: count for kind, count in column.kinds.items()}


def test_a_wide_log_is_taken_in_the_units_of_the_points(tmp_path: Path) -> None:
    report, keep = take(
        tmp_path, "log.csv", "Time,CHWS °F,kW,Run\n2026-06-01 00:00,44.6,120.5,Running\n2026-06-01 00:05,50,0,stopped\n"
    )
    # 44.6 °F is 7.0 °C and 50 °F is 10 °C by definition of the scales
    assert keep.values(TEMP) == [7.0, 10.0]
    assert keep.values(POWER) == [120.5, 0.0]
    assert keep.values(STATUS) == [1.0, 0.0]
    assert report.taken == 6
    assert (report.rows, report.doubts) == (2, [])


def test_cells_that_are_no_number_are_counted_by_kind_and_never_turned_into_one(tmp_path: Path) -> None:
    cells = ["100", "No Data", "", "abc", "1e13", "inf", "NaN", "12 kW", "0x10", "1_000", "101"]
    rows = "".join(f"2026-06-01 00:{n:02d},44,{cell},maybe\n" for n, cell in enumerate(cells))
    report, keep = take(tmp_path, "log.csv", "Time,CHWS °F,kW,Run\n" + rows)
    assert kinds(report, POWER) == {
        "TAKEN": 2, "NO_DATA": 2, "EMPTY": 1, "TEXT": 4, "OUT_OF_RANGE": 1, "NOT_FINITE": 1,
    }  # fmt: skip
    assert keep.values(POWER) == [100.0, *[None] * 8, 101.0]
    assert len(keep.times(POWER)) == len(cells) - 1, "an empty cell says nothing at all"
    assert kinds(report, STATUS) == {"UNKNOWN_STATE": len(cells)}
    assert set(keep.values(STATUS)) == {None}
    told = "\n".join(report.lines(dry=True))
    assert "beyond the point's range, first in line 6: '1e13'" in told
    assert "nothing was written" in told


def test_decimal_commas_and_titles_above_the_table_are_understood(tmp_path: Path) -> None:
    text = 'Trend export\nsite 7;\nTime;CHWS °F;kW;Run\n2026-06-01 00:00;44,6;"1 120,5";Running\n2026-06-01 00:01;44.6;12;Running\n'
    column_map = WIDE.replace("[[columns]]", '[cells]\ndecimal = ","\nthousands = " "\n[[columns]]', 1)
    report, keep = take(tmp_path, "log.csv", text.encode("cp1252"), column_map)
    assert keep.values(POWER) == [1120.5, 12.0]
    # a point among decimal commas could be either sign: it is refused
    assert keep.values(TEMP) == [7.0, None]
    assert kinds(report, TEMP) == {"TAKEN": 1, "TEXT": 1}


def test_a_long_log_is_taken_by_the_names_in_it(tmp_path: Path) -> None:
    column_map = (
        WIDE.replace("[time]", '[file]\nlayout = "long"\n[long]\nname = "Point"\nvalue = "Value"\n[time]')
        .replace('"CHWS °F"', '"chws"')
        .replace('"kW"\npoint', '"power"\npoint')
    )
    rows = (
        "2026-06-01 00:00,chws,44.6\n2026-06-01 00:00,power,99\n2026-06-01 00:00,lights,7\n2026-06-01 00:05,chws,50\n"
    )
    report, keep = take(tmp_path, "log.csv", "Time,Point,Value\n" + rows, column_map)
    assert keep.values(TEMP) == [7.0, 10.0]
    assert keep.values(POWER) == [99.0]
    assert report.unmapped == {"lights": 1}


def test_rows_out_of_order_are_put_in_order_and_of_repeated_ones_the_last_is_kept(tmp_path: Path) -> None:
    rows = "2026-06-01 00:10,44,3,\n2026-06-01 00:00,44,1,\n2026-06-01 00:05,44,2,\n2026-06-01 00:10,44,4,\n2026-06-01 00:20,44,5,\n"
    report, keep = take(tmp_path, "log.csv", "Time,CHWS °F,kW,Run\n" + rows)
    assert keep.values(POWER) == [1.0, 2.0, 4.0, 5.0]
    notes = {what: count for what, (count, _, _) in report.notes.items()}
    assert notes == {
        "rows earlier than the row before them, put in order": 1,
        "rows with the stamp of a later row, dropped for it": 1,
    }


def test_torn_rows_footers_and_impossible_dates_are_refused_with_their_line(tmp_path: Path) -> None:
    rows = "2026-06-01 00:00,44,1,\nend of report\n1970-01-01 00:00,44,2,\n2199-01-01 00:00,44,3,\n2026-06-01 00:01\n"
    report, keep = take(tmp_path, "log.csv", "Time,CHWS °F,kW,Run\n" + rows)
    assert keep.values(POWER) == [1.0]
    assert {what.partition(":")[2].strip(): line for what, (_, line, _) in report.notes.items()} == {
        "no readable time": 3, "before 1990": 4, "in the future": 5,
    }  # fmt: skip


def test_a_log_longer_than_a_page_is_taken_whole(tmp_path: Path) -> None:
    start = datetime(2026, 5, 1)  # noqa: DTZ001
    count = PAGE_ROWS + 5
    rows = "".join(f"{start + timedelta(minutes=n):%Y-%m-%d %H:%M},44,{n % 1000},\n" for n in range(count))
    report, keep = take(tmp_path, "log.csv", "Time,CHWS °F,kW,Run\n" + rows)
    assert keep.values(POWER) == [float(n % 1000) for n in range(count)]
    assert len(keep.found[POWER]) == 2
    assert report.taken == 2 * count


def test_a_spreadsheet_with_real_dates_is_taken_like_text(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Trend export"])
    sheet.append(["Time", "CHWS °F", "kW", "Run"])
    sheet.append([datetime(2026, 6, 1, 0, 0), 44.6, 120, "Running"])  # noqa: DTZ001
    sheet.append([datetime(2026, 6, 1, 0, 5), "#DIV/0!", True, 0])  # noqa: DTZ001
    book.save(tmp_path / "log.xlsx")
    report, keep = take_file(tmp_path, tmp_path / "log.xlsx")
    assert keep.values(TEMP) == [7.0, None]
    assert keep.values(POWER) == [120.0, None], "TRUE in a spreadsheet is not the number 1"
    assert keep.values(STATUS) == [1.0, 0.0]
    assert keep.times(TEMP)[1] - keep.times(TEMP)[0] == 300_000
    assert report.rows == 2


def test_a_parquet_log_with_zoned_stamps_is_taken_on_utc(tmp_path: Path) -> None:
    pa = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    at = pa.array([1_780_272_000_000, 1_780_272_300_000], pa.timestamp("ms", tz="UTC"))
    columns = {
        "Time": at,
        "CHWS °F": pa.array([44.6, None]),
        "kW": pa.array([1.5, float("nan")]),
        "Run": pa.array([1, 7]),
    }
    parquet.write_table(pa.table(columns), tmp_path / "log.parquet")
    report, keep = take_file(
        tmp_path, tmp_path / "log.parquet", WIDE.replace('zone = "UTC"', 'zone = "America/Chicago"')
    )
    assert keep.times(TEMP) == [1_780_272_000_000]
    assert keep.values(POWER) == [1.5, None]
    assert keep.values(STATUS) == [1.0, None]
    assert kinds(report, STATUS) == {Kind.TAKEN.name: 1, Kind.UNKNOWN_STATE.name: 1}


def test_day_and_month_changed_over_in_the_map_are_the_first_line_of_the_report(tmp_path: Path) -> None:
    rows = "".join(f"{day:02d}/06/2026 00:00,44,1,\n" for day in range(1, 28))
    column_map = WIDE.replace("%Y-%m-%d %H:%M", "%m/%d/%Y %H:%M")
    report, _ = take(tmp_path, "log.csv", "Time,CHWS °F,kW,Run\n" + rows, column_map)
    assert report.lines(dry=True)[0].startswith("DOUBT: 15 rows have a day above 12")


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("log.pdf", b"%PDF", "save it as .csv"),
        ("log.csv", b"", "columns were found"),
        ("log.csv", b"Time,CHWS \xc2\xb0F,kW,Run\n", "no rows below its header"),
        ("log.csv", b"When,Other\n2026-06-01 00:00,1\n", "has no column 'Time'"),
        ("log.xlsx", b"PK nonsense", "no readable spreadsheet"),
        ("log.parquet", b"PAR1 nonsense", "no readable Parquet file"),
    ],
)
def test_a_file_that_is_no_log_is_refused_with_what_to_do(tmp_path: Path, name: str, content: bytes, said: str) -> None:
    with pytest.raises(LogUnreadable, match=said.replace(".", r"\.")):
        take(tmp_path, name, content)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('unit = "degF"', 'unit = "gpm"', "'gpm' is no unit of temperature"),
        ('point = "CH-1.power"', 'point = "CH-1.pwr"', "did you mean 'CH-1.power'"),
        ('point = "CH-1.power"', 'point = "PLANT.kw_per_ton"', "derived values are worked out, not imported"),
        ('zone = "UTC"', 'zone = "Mars/Base"', "there is no zone 'Mars/Base'"),
        ('format = "%Y-%m-%d %H:%M"', 'format = "?"', "day and month are not decided yet"),
        ('format = "%Y-%m-%d %H:%M"', 'format = "YYYY-MM-DD"', "is no format"),
        ("Running = 1", "Running = 9", "which CH-1.status does not have"),
        ("schema = 1", "schema = 2", "write schema = 1"),
        ('column = "kW"', 'column = "Run"', "column 'Run' is mapped twice"),
        ("[time]", "[tme]", "unknown key 'tme'"),
        ('columns = ["Time"]', "columns = []", "columns"),
    ],
)
def test_a_mistake_in_the_map_is_named_with_its_remedy(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in WIDE
    file = tmp_path / "map.toml"
    file.write_text(WIDE.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        read_map(file, PLANT)
    assert said in str(caught.value)
    assert all(problem.remedy for problem in caught.value.problems)


def test_a_first_map_guesses_columns_units_clock_and_signs_and_can_be_used(tmp_path: Path) -> None:
    rows = "".join(f"{day:02d}.05.2026;00:{day:02d};44,{day};{day};Off;9\n" for day in range(1, 29))
    log = tmp_path / "export.csv"
    log.write_bytes(
        ("Report\nDate;Time;Leaving CHW CH-1 (°F);CH1 power [kW];CH-1 status;Lobby lights\n" + rows).encode("cp1252")
    )
    text = first_map(open_log(log, Shape()), PLANT)
    assert 'columns = ["Date", "Time"]' in text
    assert 'format = "%d.%m.%Y %H:%M"' in text
    assert 'decimal = ","' in text
    assert 'point = "CH-1.chws_temp"' in text
    assert 'unit = "degF"' in text
    assert '# column = "Lobby lights"' in text
    report, keep = take_file(tmp_path, log, text)
    assert report.taken == 3 * 28
    assert keep.values(TEMP)[0] == pytest.approx((44.1 - 32) / 1.8, abs=0.001)


def test_a_first_map_leaves_day_and_month_to_a_person_where_the_log_cannot_tell(tmp_path: Path) -> None:
    log = tmp_path / "export.csv"
    log.write_text("Time,CH-1 power\n" + "".join(f"05/06/2026 0{h}:00,{h}\n" for h in range(9)), encoding="utf-8")
    text = first_map(open_log(log, Shape()), PLANT)
    assert 'format = "?"' in text
    assert "%d/%m/%Y %H:%M or %m/%d/%Y %H:%M" in text


def test_a_first_map_sees_a_long_log(tmp_path: Path) -> None:
    log = tmp_path / "export.csv"
    rows = "".join(f"2026-06-01 0{h}:00,{name},{h}.5\n" for h in range(9) for name in ("CH-1 power", "CH-1 chws temp"))
    log.write_text("Timestamp,Point,Value\n" + rows, encoding="utf-8")
    text = first_map(open_log(log, Shape()), PLANT)
    assert 'layout = "long"' in text
    assert 'name = "Point"' in text
    assert 'value = "Value"' in text
    assert 'point = "CH-1.power"' in text
