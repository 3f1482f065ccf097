"""Every mistake about what a sensor is, planted: named, the right correction first, and nothing claimed of a sound plant."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from plantview.checks.judge import Judge
from plantview.checks.window import refused_numbers
from plantview.config import load_plant
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.polling.outcome import reading_of
from tests.simulation.identity_rig import (
    ROWS,
    Table,
    described,
    in_unit,
    look,
    reported,
    still_said,
    window,
    with_refrigerant,
    with_wet_bulb,
)
from tests.simulation.plant_days import MIDNIGHT_MS

HOURS = 0.4
HEADER_DP = "sec-out.dp_to:chw-return"
"""Nothing is worked out from it."""
CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture(scope="module")
def demo() -> Plant:
    return load_plant(CONFIG / "larkfield")


@pytest.fixture(scope="module")
def sound(demo: Plant) -> tuple[np.ndarray, Table]:
    return reported(demo, HOURS)


SIMULATED = [
    # fault of the simulator, kind of the first correction, its words contain
    ("sensors-swapped:CH-1.chws_temp", "swapped", "CH-1.chwr_temp"),
    ("sensors-swapped:CH-1.cws_temp", "swapped", "CH-1.cwr_temp"),
    ("sensors-swapped:CH-1.evap_pressure", "swapped", "CH-1.cond_pressure"),
    ("sensors-swapped:CH-1.chw_flow", "swapped", "CH-1.cw_flow"),
    ("sensor-in-wrong-pipe:CH-1.chws_temp", "wrong_pipe", "condenser water supply"),
    ("sensor-in-wrong-pipe:CH-1.chwr_temp", "wrong_pipe", "condenser water return"),
    ("sensor-in-wrong-pipe:CH-1.cws_temp", "wrong_pipe", "chilled water return"),
    ("sensor-in-wrong-pipe:CH-1.cwr_temp", "wrong_pipe", "chilled water supply"),
    ("sensor-in-wrong-unit:CH-1.chws_temp", "unit", "°C, not in °F"),
    ("sensor-in-wrong-unit:CH-1.cws_temp", "unit", "°C, not in °F"),
    ("sensor-in-wrong-unit:CH-1.chw_flow", "unit", "L/s, not in gpm"),
    ("sensor-in-wrong-unit:cwp-out.flow", "unit", "L/s, not in gpm"),
    ("sensor-in-wrong-unit:CH-1.evap_pressure", "unit", "kPa gauge, not in psig"),
    ("sensor-in-wrong-unit:chw-return.temp", "unit", "°C, not in °F"),
    ("sensor-in-wrong-unit:WEATHER.dry_bulb", "unit", "°C, not in °F"),
    ("sensor-in-wrong-unit:sec-out.dp_to:chw-return", "unit", "kPa, not in psi"),
    ("wrong-ct-ratio:CH-1.power:3.517", "factor", "1/3.517"),
    ("wrong-ct-ratio:CH-1.power:0.28433", "factor", "factor of 3.517"),
]


@pytest.mark.parametrize(("fault", "kind", "words"), SIMULATED, ids=[row[0] for row in SIMULATED])
def test_a_planted_fault_is_named_with_the_right_correction_first(
    demo: Plant, fault: str, kind: str, words: str
) -> None:
    read = reported(demo, HOURS, fault)
    findings = look(demo, *read).findings
    assert len(findings) == 1, [each.words for each in findings]
    first = findings[0].proposals[0]
    assert first.kind == kind
    assert words in first.words
    assert any(point in fault for point in findings[0].points)
    failed = [each for each in first.evidence if each.failed]
    assert failed
    assert all(each.closes or not each.judged_after for each in failed)
    assert HEADER_DP in fault or still_said(demo, *read, findings) == []


LISTED = [
    # point, unit in which its device reports, unit that the point list says, correction
    ("CH-1.chw_flow", "gpm", "L/s", "in gpm"),  # 15.85
    ("CH-1.cw_flow", "gpm", "m3/h", "in gpm"),  # 4.403
    ("CH-1.chw_flow", "m3/h", "L/s", "in m³/h"),  # 3.6
    ("CH-1.cw_flow", "L/min", "L/s", "in L/min"),  # 60
    ("CH-1.chw_flow", "L/s", "L/min", "in L/s"),
    ("CH-1.power", "W", "kW", "in W"),  # 1000
    ("CH-1.power", "MW", "kW", "in MW"),
    ("PCHWP-1.power", "W", "kW", "in W"),
    ("CWP-1.power", "W", "kW", "in W"),
]


@pytest.mark.parametrize(("point", "device", "listed", "words"), LISTED, ids=[f"{row[0]}:{row[1]}" for row in LISTED])
def test_a_wrong_unit_in_the_point_list_is_named_with_the_unit_that_closes(
    demo: Plant, sound: tuple[np.ndarray, Table], point: str, device: str, listed: str, words: str
) -> None:
    at_ms, table = sound
    plant, read = described(demo, point, listed), in_unit(demo, table, point, device)
    findings = look(plant, at_ms, read).findings
    assert [each.proposals[0].kind for each in findings] == ["unit"]
    assert words in findings[0].proposals[0].words
    assert findings[0].proposals[0].edits[0].cells[0][0] == "unit"
    assert still_said(plant, at_ms, read, findings) == []


@pytest.mark.parametrize(
    ("points", "listed"),
    [
        (("CH-1.evap_pressure", "CH-1.cond_pressure"), "psia"),  # the device reports gauge
        (("CH-1.evap_pressure",), "psia"),
        (("CH-1.cond_pressure",), "psia"),
    ],
)
def test_gauge_listed_as_absolute_is_named(
    demo: Plant, sound: tuple[np.ndarray, Table], points: tuple[str, ...], listed: str
) -> None:
    plant = demo
    for point in points:
        plant = described(plant, point, listed)
    (finding,) = look(plant, *sound).findings
    assert finding.proposals[0].kind == "gauge_absolute"
    assert set(finding.proposals[0].points) == set(points)
    assert still_said(plant, *sound, [finding]) == []


def test_absolute_listed_as_gauge_is_named(demo: Plant, sound: tuple[np.ndarray, Table]) -> None:
    at_ms, table = sound
    absolute = {**table}
    for name in ("CH-1.evap_pressure", "CH-1.cond_pressure"):
        absolute[name] = table[name] + 14.4  # psi of air at 180 m, as an absolute transducer adds it
    (finding,) = look(demo, at_ms, absolute).findings
    assert finding.proposals[0].kind == "gauge_absolute"
    assert finding.proposals[0].points == ("CH-1.evap_pressure", "CH-1.cond_pressure")


@pytest.mark.parametrize("written", ["R-1234ze(E)", "R-1233zd(E)", "R-123"])
def test_a_wrong_refrigerant_is_named(demo: Plant, sound: tuple[np.ndarray, Table], written: str) -> None:
    (finding,) = look(with_refrigerant(demo, written), *sound).findings
    assert finding.proposals[0].kind == "refrigerant"
    assert finding.proposals[0].refrigerant == ("CH-1", written, "R-134a")
    assert still_said(with_refrigerant(demo, written), *sound, [finding]) == []


def test_a_machine_that_holds_another_refrigerant_than_written_is_named_from_the_other_side_too() -> None:
    plant = load_plant(CONFIG / "millrace")  # holds R-1234ze(E)
    (finding,) = look(with_refrigerant(plant, "R-134a"), *reported(plant, HOURS)).findings
    assert finding.proposals[0].refrigerant == ("CH-1", "R-134a", "R-1234ze(E)")


@pytest.mark.parametrize("point", ["CH-1.power", "CH-1.chw_flow", "CH-1.cw_flow", HEADER_DP])
def test_a_wrong_sign_is_named(demo: Plant, sound: tuple[np.ndarray, Table], point: str) -> None:
    at_ms, table = sound
    turned = {**table, point: -table[point]}
    (finding,) = look(demo, at_ms, turned).findings
    assert finding.proposals[0].kind == "sign"
    assert finding.proposals[0].points == (point,)
    assert point == HEADER_DP or still_said(demo, at_ms, turned, [finding]) == []


def test_dry_and_wet_bulb_swapped_are_named(demo: Plant) -> None:
    plant = with_wet_bulb(demo)
    assert look(plant, *reported(plant, HOURS)).findings == ()
    read = reported(plant, HOURS, "sensors-swapped:WEATHER.dry_bulb")
    (finding,) = look(plant, *read).findings
    assert finding.proposals[0].kind == "swapped"
    assert still_said(plant, *read, [finding]) == []
    assert set(finding.points) == {"WEATHER.dry_bulb", "WEATHER.wet_bulb"}


def test_header_sensors_swapped_are_named(demo: Plant, sound: tuple[np.ndarray, Table]) -> None:
    at_ms, table = sound
    for one, other in (("chw-return.temp", "chw-supply.temp"), ("cwp-out.temp", "cwr.temp")):
        swapped = {**table, one: table[other], other: table[one]}
        (finding,) = look(demo, at_ms, swapped).findings
        assert finding.proposals[0].kind == "swapped"
        assert still_said(demo, at_ms, swapped, [finding]) == []
        assert set(finding.points) == {one, other}


def test_a_number_that_was_refused_as_out_of_range_still_tells_its_unit(
    demo: Plant, sound: tuple[np.ndarray, Table]
) -> None:
    at_ms, table = sound
    point = demo.points["CH-1.power"]
    readings = [reading_of(point, float(value) * 1_000, 0) for value in table[point.name]]
    assert all(each.quality is Quality.BAD for each in readings)  # 240,000 kW
    nothing = np.full(at_ms.size, np.nan)
    refused = refused_numbers(nothing, [int(each.quality) for each in readings], [each.reason for each in readings])
    (finding,) = look(demo, at_ms, {**table, point.name: nothing}, {point.name: refused}).findings
    assert finding.words == "CH-1.power may be in W, not in kW"


def test_two_mistakes_that_meet_in_one_balance_are_both_named(demo: Plant) -> None:
    faults = ("sensors-swapped:CH-1.chws_temp", "sensors-swapped:CH-1.cws_temp")
    findings = look(demo, *reported(demo, HOURS, *faults)).findings
    named = {point for each in findings for point in each.points}
    assert named == {"CH-1.chws_temp", "CH-1.chwr_temp", "CH-1.cws_temp", "CH-1.cwr_temp"}


def test_mistakes_at_two_machines_are_both_named(demo: Plant) -> None:
    faults = ("sensors-swapped:CH-1.chws_temp", "sensor-in-wrong-unit:CH-2.cw_flow")
    findings = look(demo, *reported(demo, HOURS, *faults)).findings
    named = {point for each in findings for point in each.points}
    assert len(findings) == 2
    assert named == {"CH-1.chws_temp", "CH-1.chwr_temp", "CH-2.cw_flow"}


NO_IDENTITY = [
    "fouled-condenser:CH-1:0.7",
    "refrigerant-leak:CH-1:0.4",
    "sensor-bias:CH-1.chws_temp:+5",
    "sensor-bias:CH-1.chwr_temp:+5",
    "wrong-ct-ratio:CH-1.power:0.5",
    "stuck-sensor:CH-1.chwr_temp",
    "sensor-not-in-well:CH-1.chws_temp:0.1",
    "chiller-trip:CH-1@300",
]


@pytest.mark.parametrize("fault", NO_IDENTITY)
def test_what_is_no_matter_of_identity_is_not_claimed_as_one(demo: Plant, fault: str) -> None:
    assert look(demo, *reported(demo, HOURS, fault)).findings == ()


def _looks(name: str, hours: float, start_ms: int) -> tuple[int, int, float]:
    """Return looks taken over a fault-free stretch, findings claimed, and the share of laws judged in the last look."""
    plant = load_plant(CONFIG / name)
    judge = Judge(plant)
    at_ms, table = reported(plant, hours, start_ms=start_ms)
    claimed, looks, judged = 0, 0, 0.0
    for end in range(ROWS, at_ms.size, 30):
        part = slice(end - ROWS, end + 1)
        verdict = judge.look(window(plant, at_ms[part], {point: values[part] for point, values in table.items()}))
        claimed, looks = claimed + len(verdict.findings), looks + 1
        judged = max(judged, sum(each.judged for each in verdict.kept.values()) / len(verdict.kept))
    return looks, claimed, judged


@pytest.mark.parametrize(("name", "hours"), [("larkfield", 4.0), ("orchard", 2.5), ("millrace", 2.5)])
def test_nothing_is_claimed_in_a_sound_morning_with_its_starts(name: str, hours: float) -> None:
    looks, claimed, judged = _looks(name, hours, MIDNIGHT_MS + 5 * 3_600_000)
    assert looks >= 7
    assert judged > 0.6
    assert claimed == 0


@pytest.mark.long
@pytest.mark.timeout(2_400)
@pytest.mark.parametrize("name", ["larkfield", "orchard", "millrace"])
def test_nothing_is_claimed_in_a_sound_week(name: str) -> None:
    looks, claimed, judged = _looks(name, 168.0, MIDNIGHT_MS)
    assert looks >= 660
    assert judged > 0.7
    assert claimed == 0
