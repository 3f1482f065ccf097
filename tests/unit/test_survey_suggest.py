"""Suggestions: right on the open naming styles, doubtful where there is doubt, silent about what is no part of a plant.

The two kept styles are measured by ``tests/bench/survey.py``; here they only have to stay as they were written.
"""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path

import pytest

from plantview.model.measurements import DP_TO, measurement
from plantview.surveying.measuring import READINGS
from plantview.surveying.suggest import CLAIMED_TWICE, SURE, Seen, suggest, suggest_all
from plantview.surveying.trade_words import meanings, words
from tests.bench.survey import KEPT, OPEN, STYLES, outcomes, right_share, wrong_though_sure

KEPT_AS_WRITTEN = {
    "style_c_camel_paths": "b261a1c1061a",
    "style_d_coded_terse": "2b3ea7a1b23c",
}


def analog(name: str, unit: str, description: str = "", kind: str = "analog-input") -> Seen:
    return Seen(name, description, kind, unit)


@pytest.mark.parametrize("style", OPEN)
def test_an_open_style_is_read_right_at_first_in_at_least_95_of_100_rows(style: str) -> None:
    found = outcomes(style)
    assert len(found) > 50
    assert right_share(found) >= 0.95
    assert wrong_though_sure(found) == 0


@pytest.mark.parametrize("style", KEPT)
def test_a_kept_style_is_as_it_was_before_there_were_suggestions(style: str) -> None:
    assert hashlib.sha256((STYLES / f"{style}.csv").read_bytes()).hexdigest()[:12] == KEPT_AS_WRITTEN[style]


@pytest.mark.parametrize("style", [*OPEN, *KEPT])
def test_every_row_of_a_style_asks_for_a_measurement_that_the_kind_has(style: str) -> None:
    kinds = {
        "CH": "chiller",
        "CT": "tower_cell",
        "AHU": "coil",
        "WEATHER": "weather",
        "MACHINE": "machine_room",
        "V": "valve",
    }
    with (STYLES / f"{style}.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            name = row["equipment"]
            if not name:
                continue
            kind = (
                "basin" if name == "CT-BASIN" else "fan" if name.endswith("-FAN") else "header" if name.islower()
                else "pump" if "WP-" in name else kinds[name.partition("-")[0]]
            )  # fmt: skip
            assert measurement(kind, row["measurement"]) is not None, row


def test_every_reading_proposes_a_measurement_that_its_kind_has() -> None:
    for kind, readings in READINGS.items():
        for reading in readings:
            assert measurement(kind, reading.measurement) is not None, (kind, reading.measurement)
            assert reading.measurement.startswith(DP_TO) or reading.needs


def test_no_suggestion_is_ever_certain() -> None:
    assert SURE < 1.0
    assert suggest(analog("CH1_CHWST", "degrees-fahrenheit")).confidence == SURE


@pytest.mark.parametrize(
    ("name", "description"),
    [("LOBBY_ZN_T", ""), ("AI-9", "Domestic hot water tank temperature"), ("BLR1_HWST", ""), ("X7", ""), ("", "")],
)
def test_what_is_no_part_of_a_chilled_water_plant_gets_no_suggestion(name: str, description: str) -> None:
    found = suggest(analog(name, "degrees-fahrenheit", description))
    assert (found.equipment, found.measurement) == ("", "")
    assert found.reason


def test_a_unit_of_another_quantity_lowers_the_confidence_and_is_said() -> None:
    right, wrong = suggest(analog("CH1_KW", "kilowatts")), suggest(analog("CH1_KW", "degrees-celsius"))
    assert right.confidence == SURE
    assert wrong.confidence < 0.7
    assert "does not fit" in wrong.reason or not wrong.equipment


def test_a_missing_unit_lowers_the_confidence_below_sure() -> None:
    found = suggest(analog("CH1_CHWST", "no-units"))
    assert found.measurement == "chws_temp"
    assert found.confidence < 0.9
    assert "no unit" in found.reason


def test_a_machine_without_its_number_is_proposed_with_doubt() -> None:
    found = suggest(analog("AI-3", "kilowatts", "chilled water pump power"))
    assert (found.equipment, found.measurement) == ("CHWP", "power")
    assert found.confidence < 0.9
    assert "which one is not said" in found.reason


def test_what_two_objects_seem_to_be_is_doubted_for_both() -> None:
    found = suggest_all(
        [analog("CH1_KW", "kilowatts"), analog("CHLR1_POWER", "kilowatts"), analog("CH2_KW", "kilowatts")]
    )
    assert [one.confidence <= CLAIMED_TWICE for one in found] == [True, True, False]
    assert "2 objects" in found[0].reason


def test_two_fans_of_one_cell_are_told_apart_by_their_letter() -> None:
    first, second = suggest_all([analog("CT-1-FAN-A speed", "percent"), analog("CT-1-FAN-B speed", "percent")])
    assert (first.equipment, second.equipment) == ("CT-1-FAN-A", "CT-1-FAN-B")


def test_a_run_of_letters_is_cut_into_known_spellings_or_not_at_all() -> None:
    assert meanings("runhrs") == ("status", "hours")
    assert meanings("evaplvgwtrtmp") == ("evap", "leaving", "water", "temp")
    assert meanings("qzx") == ()


@pytest.mark.parametrize(
    ("spelling", "meant"),
    [
        ("CHWST", ("chw", "supply", "temp")),
        ("ChwSt", ("chw", "supply", "temp")),
        ("LCWT", ("leaving", "cw", "temp")),
        ("EWT", ("entering", "water", "temp")),
        ("PCHWP", ("primary", "chw", "pump")),
        ("CHWSP", ("chw", "setpoint")),
        ("CDWRT", ("cw", "return", "temp")),
        ("OAWB", ("weather", "wet")),
        ("LT", ()),
        ("ET", ()),
    ],
)
def test_an_abbreviation_of_several_words_means_all_of_them_however_it_is_written(
    spelling: str, meant: tuple[str, ...]
) -> None:
    (word,) = words(spelling)
    assert word.meanings == meant


def test_a_setpoint_of_a_supply_temperature_is_a_setpoint() -> None:
    found = suggest(Seen("CH1_CHWST_SP", "", "analog-value", "degrees-celsius"))
    assert (found.equipment, found.measurement) == ("CH-1", "setpoint")


@pytest.mark.parametrize("path", sorted(STYLES.glob("*.csv")), ids=lambda path: Path(path).stem)
def test_the_lists_hold_what_is_no_part_of_a_plant_too(path: Path) -> None:
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert 2 <= sum(not row["equipment"] for row in rows) < len(rows) // 5
