"""Orders at the console of a simulated plant: each answered with a sentence, none with a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from plantview.cli_simulate_console import Console
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.simulator.devices.device_faults import DEVICE_FAULTS, check_device_fault
from plantview.simulator.fault_effects import EFFECTS
from plantview.simulator.fault_kinds import FAULTS
from plantview.simulator.faults import Fault, UnknownFault, faults_file, parse_fault, place_fault
from plantview.simulator.history import run_day
from plantview.simulator.plant import SimulatedPlant
from tests.simulation.plant_days import MORNING_MS


@pytest.fixture(scope="module")
def simulated(orchard: Plant) -> SimulatedPlant:
    return SimulatedPlant(orchard, MORNING_MS)


def ask(simulated: SimulatedPlant, line: str) -> str:
    return "\n".join(Console(simulated).answer(line))


def is_tripped(simulated: SimulatedPlant) -> bool:
    return simulated.machines.pumps["CHWP-1"].tripped


def test_a_fault_is_made_listed_and_mended(simulated: SimulatedPlant) -> None:
    assert "1  pump-trip CHWP-1" in ask(simulated, "break pump-trip:CHWP-1")
    assert is_tripped(simulated)
    assert ask(simulated, "broken") == "1  pump-trip CHWP-1"
    assert ask(simulated, "mend 1") == "mended: pump-trip CHWP-1"
    assert not is_tripped(simulated)
    assert ask(simulated, "broken") == "nothing is broken"


def test_a_fault_of_a_device_is_handed_to_whoever_serves_it_and_taken_back(simulated: SimulatedPlant) -> None:
    of_devices: list[Fault] = []
    console = Console(simulated, of_devices)
    assert "1  device-silent BC-1" in "".join(console.answer("break device-silent:BC-1+60"))
    assert [(fault.kind, fault.target) for fault in of_devices] == [("device-silent", "BC-1")]
    assert of_devices[0].active(simulated.now_ms + 59_000)
    assert not of_devices[0].active(simulated.now_ms + 61_000)
    assert "mended" in "".join(console.answer("mend all"))
    assert of_devices == []


def test_the_kinds_that_befall_devices_are_those_that_devices_can_have() -> None:
    assert set(DEVICE_FAULTS) == {name for name, row in FAULTS.items() if row.target == "device"}
    assert not set(DEVICE_FAULTS) & set(EFFECTS)


@pytest.mark.parametrize("kind", DEVICE_FAULTS)
def test_the_example_of_each_kind_fits_a_device_of_the_example_plant(kind: str, larkfield: Plant) -> None:
    fault = parse_fault(FAULTS[kind].example)
    place_fault(fault, larkfield)
    check_device_fault(fault, larkfield)


def test_a_point_is_held_and_given_back(simulated: SimulatedPlant) -> None:
    ask(simulated, "set chw-supply.setpoint 8.5")
    simulated.step(2.0)
    assert ask(simulated, "look chw-supply.setpoint").split() == ["chw-supply.setpoint", "8.5", "degC"]
    ask(simulated, "release chw-supply.setpoint")
    simulated.step(2.0)
    assert simulated.controller.setpoint_c == pytest.approx(6.67)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("dance", "'help' lists"),
        ("break", "write kind:target"),
        ("break pump-trip:P-9", "no pump 'P-9'"),
        ("mend 7", "nothing is broken"),
        ("set chw-supply.setpoint warm", "is no number"),
        ("set CH-1.chws_temp 3", "no point that can be commanded"),
        ("look nowhere", "no point has"),
        ("break device-silent:BC-9", "no device 'BC-9'"),
        ("break device-renumbered:BC-1:99999999", "cannot have that number"),
        ("kinds xyz", "no kind"),
        ("", ""),
    ],
)
def test_a_mistake_is_answered_with_what_to_do(simulated: SimulatedPlant, line: str, says: str) -> None:
    assert says in ask(simulated, line)


def test_the_machines_are_told_in_one_line_each(simulated: SimulatedPlant) -> None:
    assert "CH-1" in ask(simulated, "machines")
    assert "leave" in ask(simulated, "help")


def test_faults_are_read_from_a_file_and_a_bad_line_is_named(tmp_path: Path) -> None:
    file = tmp_path / "faults.txt"
    file.write_text("# a bad day\npump-trip:CWP-1@60   # first\n\nsensor-bias:CH-1.chws_temp:+1@90\n", encoding="utf-8")
    assert faults_file(file) == ["pump-trip:CWP-1@60", "sensor-bias:CH-1.chws_temp:+1@90"]
    file.write_text("pump-trip:CWP-1\npump-tripp:CWP-1\n", encoding="utf-8")
    with pytest.raises(UnknownFault, match="line 2"):
        faults_file(file)
    with pytest.raises(UnknownFault, match="cannot read"):
        faults_file(tmp_path / "none.txt")


def test_a_day_of_rows_begins_and_ends_where_it_was_asked_for(orchard: Plant) -> None:
    broken = parse_fault("sensor-broken:CH-1.chws_temp@1800")
    batches = list(run_day(orchard, MORNING_MS, 1.0, 60.0, faults=(broken,)))
    assert len(batches) == 61
    assert (batches[0].at_ms, batches[-1].at_ms) == (MORNING_MS, MORNING_MS + 3_600_000)
    assert all(set(batch.readings) == set(orchard.points) for batch in batches)
    qualities = [batch.readings["CH-1.chws_temp"].quality for batch in batches]
    assert qualities == [Quality.GOOD] * 30 + [Quality.BAD] * 31


@pytest.mark.parametrize(("hours", "period_s"), [(0.0, 60.0), (1.0, 0.5), (1e6, 60.0)])
def test_a_day_that_cannot_be_run_is_refused_before_it_begins(orchard: Plant, hours: float, period_s: float) -> None:
    with pytest.raises(ValueError, match="cannot be run"):
        run_day(orchard, MORNING_MS, hours, period_s)
