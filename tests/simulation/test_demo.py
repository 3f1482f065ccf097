"""The main job end to end: one command in an empty folder, real protocol traffic, numbers on the API."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from plantview.config import load_plant
from plantview.config.bundled import bundled_plants
from plantview.config.ports import free_address
from tests.running import Running, running

pytestmark = pytest.mark.timeout(120)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Return the demo, started in an empty folder."""
    with running(["demo"], tmp_path_factory.mktemp("empty")) as started:
        started.wait_line("open http://")
        yield started


def test_a_hundred_good_values_from_both_protocols_within_twenty_seconds(demo: Running) -> None:
    plant = load_plant(bundled_plants()["larkfield"])

    def good() -> dict[str, int]:
        counts = {"bacnet": 0, "modbus": 0}
        for name, row in demo.values().items():
            if row["quality"] == "GOOD" and name in plant.points:
                counts[plant.devices[plant.points[name].device].protocol] += 1
        return counts if sum(counts.values()) >= 100 and min(counts.values()) > 30 else {}

    assert demo.until(good)


def test_plant_efficiency_is_the_quotient_of_the_inputs_it_names(demo: Running) -> None:
    def efficiency() -> dict[str, object]:
        row = demo.values()["PLANT.kw_per_ton"]
        return row if row["quality"] == "GOOD" else {}

    row = demo.until(efficiency)
    power, tons = (item["value"] for item in row["inputs"])
    assert [item["point"] for item in row["inputs"]] == ["PLANT.power_input", "PLANT.cooling_load_tons"]
    assert 0.4 < row["value"] < 1.2
    assert row["value"] == pytest.approx(power / tons, rel=0.005)


def test_every_value_has_what_a_reader_needs(demo: Running) -> None:
    rows = demo.until(demo.values)
    for name, row in rows.items():
        assert {"point", "value", "unit", "quality", "reason", "age_s"} <= set(row), name
        assert (row["value"] is None) == (row["quality"] == "BAD"), row
        assert bool(row["reason"]) == (row["quality"] != "GOOD"), row


def test_pipe_names_are_right_on_the_running_plant(demo: Running) -> None:
    """Water leaving the chiller is CHWS and colder; water leaving the tower is CWS and colder (common practice, no source)."""

    def settled() -> dict[str, dict[str, object]]:
        values = demo.values("?units=si")
        running_chiller = (
            values["CH-1.status"]["value"] or values["CH-2.status"]["value"] or values["CH-3.status"]["value"]
        )
        return values if running_chiller else {}

    values = demo.until(settled)
    chiller = next(name for name in ("CH-1", "CH-2", "CH-3") if values[f"{name}.status"]["value"] == 1)
    assert values[f"{chiller}.chws_temp"]["value"] < values[f"{chiller}.chwr_temp"]["value"]
    assert values[f"{chiller}.cws_temp"]["value"] < values[f"{chiller}.cwr_temp"]["value"]


def test_health_names_every_device_and_the_terminal_answers_too(demo: Running) -> None:
    devices = demo.until(lambda: demo.get("/api/v1/health")["field"]["devices"])
    assert {row["id"] for row in devices} == set(load_plant(bundled_plants()["larkfield"]).devices)
    with running(["values", "larkfield", "CH-1"], demo.folder) as asked:
        assert asked.process.wait(timeout=20) == 0
        line = asked.wait_line("CH-1.chws_temp")
        assert "°F" in line
    with running(["alarms", "larkfield"], demo.folder) as asked:
        assert asked.process.wait(timeout=20) == 0
        asked.wait_line("alarm(s) on the list")


def test_a_second_start_on_the_same_data_is_refused_and_says_what_to_do(demo: Running) -> None:
    with running(["demo"], demo.folder) as second:
        assert second.process.wait(timeout=30) == 2
        line = second.wait_line("the data folder")
        assert "--data" in line
    assert demo.get("/api/v1/health")["link"]["ok"]


def test_a_taken_port_is_refused_and_says_what_to_do(demo: Running, tmp_path: Path) -> None:
    with running(["demo"], tmp_path, port=demo.port) as second:
        assert second.process.wait(timeout=30) == 2
        line = second.wait_line(str(demo.port))
        assert "--port" in line


def test_the_field_process_killed_is_said_on_the_api_and_comes_back_alone(demo: Running) -> None:
    demo.until(lambda: demo.get("/api/v1/health")["link"]["ok"])
    before = demo.children()["field"]
    os.kill(before, signal.SIGKILL)
    demo.until(lambda: not demo.get("/api/v1/health")["link"]["ok"])
    demo.until(lambda: demo.get("/api/v1/health")["link"]["ok"], 30)
    assert demo.children()["field"] != before
    demo.until(lambda: sum(row["quality"] == "GOOD" for row in demo.values().values()) >= 100, 30)


def test_the_web_process_killed_comes_back_alone(demo: Running) -> None:
    before = demo.children()["web"]
    os.kill(before, signal.SIGKILL)
    demo.until(lambda: demo.children().get("web", before) != before and demo.get("/api/v1/health")["link"]["ok"], 30)


@pytest.mark.parametrize("plant", sorted(bundled_plants()))
def test_ctrl_c_stops_everything_cleanly(plant: str, tmp_path: Path) -> None:
    with running(["demo", "--plant", plant], tmp_path) as started:
        started.wait_line("open http://")
        children = started.children()
        assert set(children) == {"simulator", "field", "web"}
        assert started.stop() == 0
        started.wait_line("stopped.")
        assert not [pid for pid in children.values() if Path(f"/proc/{pid}").exists()]


def test_the_hours_before_the_start_arrive_in_history_and_never_as_the_present(tmp_path: Path) -> None:
    with running(["demo", "--plant", "orchard", "--past", "2"], tmp_path) as started:
        started.wait_line("open http://")
        began_s = time.time()
        name, span = "PLANT.kw_per_ton", round(began_s * 1_000) - 2 * 3_600_000

        def known() -> list[float]:
            read = started.get(f"/api/v1/history?point={name}&from={span}&to={round(began_s * 1_000)}&width=100")
            found = [value for value in read["series"][0]["mean"] if value is not None]
            return found if len(found) > 90 else []

        past = started.until(known, 60)
        assert all(0.3 < value < 1.2 for value in past)
        live = started.values()["CH-1.power"]
        assert live["quality"] == "GOOD"
        assert live["age_s"] < 60


def test_a_past_that_is_no_number_of_hours_is_refused(tmp_path: Path) -> None:
    with running(["demo", "--past", "yesterday"], tmp_path) as started:
        assert started.process.wait(timeout=20) == 2
        started.wait_line("'yesterday' is no number of hours from 0 to 168")


def test_the_parts_stop_when_the_command_is_killed(tmp_path: Path) -> None:
    with running(["demo"], tmp_path) as started:
        started.wait_line("open http://")
        children = started.children()
        started.stop(signal.SIGKILL)
        started.until(lambda: not [pid for pid in children.values() if Path(f"/proc/{pid}").exists()])


def test_values_of_a_plant_that_nobody_watches_says_how_to_start_it(tmp_path: Path) -> None:
    with running(["values", "larkfield"], tmp_path) as asked:
        assert asked.process.wait(timeout=20) == 1
        assert "start it with 'plantview demo'" in asked.wait_line("Larkfield")


def test_simulate_alone_prints_where_each_device_listens(tmp_path: Path) -> None:
    plant = load_plant(bundled_plants()["orchard"])
    moved = {device.address: free_address("127.0.0.1", device.protocol) for device in plant.devices.values()}
    arguments = [part for old, new in moved.items() for part in ("--address", f"{old}={new}")]
    with running(["simulate", "orchard", *arguments], tmp_path) as started:
        started.wait_line("data and logs")
        for device in plant.devices.values():
            assert any(device.id in line and moved[device.address] in line for line in started.said)
        assert started.stop() == 0
