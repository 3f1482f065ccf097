"""The survey against devices of other makers and the simulated plants: everything that is there is found, nothing is written.

Oracles: the plant description that the simulator serves; rusty-bacnet's, bacpypes3's, pyModbusTCP's and pymodbus's servers.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import subprocess
import sys
from argparse import Namespace
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bacpypes3.basetypes import EngineeringUnits

from plantview.cli import ACTS, main
from plantview.cli_grammar import parser
from plantview.cli_preflight import preflight
from plantview.cli_survey import survey
from plantview.clock import SystemClock
from plantview.config import load_plant
from plantview.config.addresses import BACNET_TYPES
from plantview.config.ports import free_port
from plantview.drivers.bacnet_browse import INSTANCE_MAX, Browser, browsing
from plantview.drivers.bacnet_facts import ASKED
from plantview.drivers.modbus_browse import modbus_browsing
from plantview.errors import DeviceRefused, DeviceSilent, StartRefused
from plantview.model.plant import Adapter, Plant
from plantview.model.point import BacnetAddress, ModbusAddress
from plantview.model.quality import Quality
from plantview.simulator.devices import rig
from plantview.simulator.devices.bacnet_units import engineering_units
from plantview.surveying import draft, report
from plantview.surveying.conduct import Order, survey_bacnet, survey_modbus
from plantview.surveying.draft import rows
from plantview.surveying.preflight import adapter_trouble, ask_once
from plantview.surveying.results import Survey, keep, kept
from plantview.surveying.verdict import BAD, verdict
from tests.faults.polled import open_sockets
from tests.interop.driver_contract import INSTANCE, PEERS, POINTS, Peer
from tests.interop.simulated import StillPlant, on_free_ports

CONFIG = Path(__file__).parents[2] / "config"
WITHIN_S = 1.0


def quiet(what: str, done: int, whole: int) -> None:
    assert 0 <= done <= whole, what


def adapter() -> Adapter:
    return Adapter("127.0.0.1/8", free_port(socket.SOCK_DGRAM))


@pytest.fixture(params=["larkfield", "orchard"])
def plant(request: pytest.FixtureRequest) -> Plant:
    return on_free_ports(load_plant(CONFIG / request.param))


def bacnet_hosts(plant: Plant) -> tuple[str, ...]:
    return tuple(device.address for device in plant.devices.values() if device.protocol == "bacnet")


async def test_every_object_of_a_simulated_plant_is_found_with_name_unit_value_and_states(plant: Plant) -> None:
    still = StillPlant(plant)
    found = Survey()
    async with rig(plant, still) as devices:
        silent = await survey_bacnet(Order(hosts=bacnet_hosts(plant)), adapter(), found, lambda: None, quiet, WITHIN_S)
        assert devices.writes.count == 0
    assert silent == {}
    seen = {
        (device.announced.instance, one.identifier): one
        for device in found.devices.values()
        for one in device.objects.values()
    }
    points = [point for point in plant.points.values() if isinstance(point.address, BacnetAddress)]
    assert len(points) > 30
    for point in points:
        one = seen.pop((plant.devices[point.device].unit, str(point.address)))
        assert one.name == point.name
        assert one.value == pytest.approx(still.values[point.name], rel=1e-6)
        assert one.units == ("" if point.states else str(EngineeringUnits(engineering_units(point.unit.name))))
        if point.states:
            assert set(filter(None, one.states)) <= set(point.states.values())
        assert one.trouble == ""
    assert [identifier for _, identifier in seen if identifier.startswith(BACNET_TYPES)] == []
    assert all(device.done for device in found.devices.values())


async def test_a_device_tells_vendor_model_sizes_and_services(plant: Plant) -> None:
    found = Survey()
    async with rig(plant, StillPlant(plant)):
        await survey_bacnet(Order(hosts=bacnet_hosts(plant)[:1]), adapter(), found, lambda: None, quiet, WITHIN_S)
    (device,) = found.devices.values()
    assert (device.properties["vendor-name"], device.properties["model-name"]) == ("simulated", "simulated controller")
    assert (device.announced.max_apdu, device.announced.segmentation) == (1024, "segmented-both")
    assert "read-property-multiple" in device.properties["protocol-services-supported"]


async def test_suggestions_for_a_simulated_plant_are_mostly_right_and_never_wrong_about_machines(plant: Plant) -> None:
    found = Survey()
    async with rig(plant, StillPlant(plant)):
        await survey_bacnet(Order(hosts=bacnet_hosts(plant)), adapter(), found, lambda: None, quiet, WITHIN_S)
    made = rows(found, suggesting=True)
    right = [row for row in made if f"{row.suggestion.equipment}.{row.suggestion.measurement}" == row.seen.name]
    assert len(right) / len(made) > 0.8
    machines = [
        row for row in made if row.seen.name.partition(".")[0] in plant.equipment and row.suggestion.confidence > 0.9
    ]
    assert [row.seen.name for row in machines if row not in right] == []


@pytest.fixture(params=["rusty-bacnet", "bacpypes3"])
async def peer(request: pytest.FixtureRequest) -> AsyncIterator[Peer]:
    made = PEERS[request.param]()
    await made.start()
    yield made
    await made.stop()


async def test_every_object_of_an_independent_device_is_found(peer: Peer) -> None:
    found = Survey()
    before = asyncio.all_tasks()
    sockets = open_sockets()
    silent = await survey_bacnet(Order(hosts=(peer.device.address,)), adapter(), found, lambda: None, quiet, WITHIN_S)
    await asyncio.sleep(0)
    assert asyncio.all_tasks() == before
    assert open_sockets() == sockets
    assert silent == {}
    (device,) = found.devices.values()
    assert device.announced.instance == INSTANCE
    values = {one.name: one.value for one in device.objects.values() if one.kind == "analog-input"}
    assert values == {f"P{number}": 10.0 * number for number in range(1, POINTS + 1)}
    assert device.note == ""


async def test_a_broadcast_who_is_finds_a_device_within_its_range_only(peer: Peer) -> None:
    async with browsing(adapter(), within_s=WITHIN_S) as browser:
        link = next(iter(browser._application.link_layers.values()))
        # on loopback every device has a port of its own, and these two listen to their own address only
        link.server.broadcast_address = ("127.0.0.1", peer.device.port)
        assert INSTANCE in [one.instance for one in await browser.who_is(0, INSTANCE_MAX, 0.5)]
        assert [one.instance for one in await browser.who_is(INSTANCE + 1, INSTANCE_MAX, 0.3)] == []


def served(application: type[Any], count: int, **device: Any) -> Any:
    from bacpypes3.local.analog import AnalogInputObject
    from bacpypes3.local.device import DeviceObject
    from bacpypes3.pdu import IPv4Address

    own = DeviceObject(objectIdentifier=("device", INSTANCE), objectName="peer", vendorIdentifier=0, **device)
    made = application(own, IPv4Address(f"127.0.0.1:{free_port(socket.SOCK_DGRAM)}"))
    for number in range(1, count + 1):
        made.add_object(
            AnalogInputObject(
                objectIdentifier=("analog-input", number),
                objectName=f"P{number}",
                presentValue=10.0 * number,
                statusFlags=[0, 0, 0, 0],
                eventState="normal",
                outOfService=False,
                units="kilowatts",
            )
        )
    return made


@contextlib.asynccontextmanager
async def outsider(
    behaviour: dict[str, Callable[..., Any]] | None = None, count: int = 0, **device: Any
) -> AsyncIterator[Any]:
    """Run bacpypes3's application, with methods of it replaced, on a socket of its own."""
    from bacpypes3.ipv4.app import NormalApplication

    application = served(type("Peculiar", (NormalApplication,), behaviour or {}), count, **device)
    while application.normal.server.local_transport is None:  # noqa: ASYNC110 - it offers no event
        await asyncio.sleep(0)
    yield application
    application.close()
    await asyncio.sleep(0)


@contextlib.asynccontextmanager
async def serving(behaviour: dict[str, Callable[..., Any]], count: int = 5, **device: Any) -> AsyncIterator[str]:
    """Serve objects like that; yield the address."""
    async with outsider(behaviour, count, **device) as application:
        yield "{}:{}".format(*application.normal.server.local_address)


async def deaf(self: Any, apdu: Any) -> None:
    """Leave a request without any answer."""


def knows_itself(self: Any, identifier: Any) -> Any:
    """Take device 4194303 for oneself, which bacpypes3's server does not."""
    found = self.objectIdentifier.get(identifier)
    return self.device_object if found is None and identifier[1] == 4_194_303 else found


async def unrecognized(self: Any, apdu: Any) -> None:
    from bacpypes3.errors import UnrecognizedService

    raise UnrecognizedService


@pytest.mark.parametrize("told", ["", f"={INSTANCE}"])
async def test_a_device_without_i_am_is_read_by_typed_services_and_that_is_said(told: str) -> None:
    found = Survey()
    behaviour = {"do_WhoIsRequest": deaf} if told else {"do_WhoIsRequest": deaf, "get_object_id": knows_itself}
    async with serving(behaviour) as address:
        order = Order(hosts=(address + told,), wait_s=0.2)
        silent = await survey_bacnet(order, adapter(), found, lambda: None, quiet, WITHIN_S)
    assert silent == {}
    (device,) = found.devices.values()
    assert device.announced.how == ASKED
    assert device.announced.instance == INSTANCE
    assert "no I-Am" in device.note
    assert [one.value for one in device.objects.values() if one.kind == "analog-input"] == [
        10.0,
        20.0,
        30.0,
        40.0,
        50.0,
    ]


async def test_a_device_that_does_not_tell_who_it_is_asks_for_its_instance() -> None:
    async with serving({"do_WhoIsRequest": deaf}) as address, browsing(adapter(), within_s=0.5) as browser:
        with pytest.raises(DeviceRefused, match=f"give its device instance: --host {address}=1234"):
            await browser.who_is_at(address, 0.2)


async def test_a_device_without_read_property_multiple_is_read_object_by_object() -> None:
    found = Survey()
    async with serving({"do_ReadPropertyMultipleRequest": unrecognized}) as address:
        await survey_bacnet(Order(hosts=(address,)), adapter(), found, lambda: None, quiet, WITHIN_S)
    (device,) = found.devices.values()
    assert device.done
    assert [one.value for one in device.objects.values() if one.kind == "analog-input"] == [
        10.0,
        20.0,
        30.0,
        40.0,
        50.0,
    ]


async def test_an_object_list_that_does_not_fit_one_answer_is_read_one_by_one() -> None:
    count = 330  # 5 octets each: more than the 1476 of one frame
    async with (
        serving({}, count, segmentationSupported="no-segmentation") as address,
        browsing(adapter(), within_s=WITHIN_S) as browser,
    ):
        device = await browser.who_is_at(address, WITHIN_S)
        listed, how = await browser.object_list(device)
    assert how.startswith("one by one")
    assert len([one for one in listed if one.startswith("analog-input")]) == count


async def test_nobody_at_an_address_is_silence_by_name_in_bounded_time() -> None:
    async with browsing(adapter(), within_s=0.2) as browser:
        with pytest.raises(DeviceSilent):
            await browser.who_is_at(f"127.0.0.1:{free_port(socket.SOCK_DGRAM)}", 0.2)


async def test_a_port_that_another_program_holds_is_refused_before_anything_is_sent() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as held:
        held.bind(("127.0.0.1", 0))
        taken = Adapter("127.0.0.1/8", held.getsockname()[1])
        with pytest.raises(StartRefused, match="is taken by another program"):
            async with browsing(taken):
                raise AssertionError("it must not start")


async def test_the_browser_answers_no_who_is_of_others() -> None:
    own = adapter()
    async with browsing(own, within_s=0.3), outsider() as other:
        assert await other.who_is(0, INSTANCE_MAX, _to(own), 0.3) == []


def _to(own: Adapter) -> Any:
    from bacpypes3.pdu import Address

    return Address(f"127.0.0.1:{own.port}")


def test_the_browser_has_no_method_that_writes() -> None:
    assert [name for name in vars(Browser) if "write" in name or "command" in name] == []


@pytest.mark.outsider_writes
async def test_what_somebody_holds_in_a_priority_array_is_seen() -> None:
    plant = on_free_ports(load_plant(CONFIG / "larkfield"))
    found = Survey()
    address = plant.devices["BC-1"].address
    async with rig(plant, StillPlant(plant)):
        async with outsider() as application:
            from bacpypes3.basetypes import PropertyIdentifier
            from bacpypes3.pdu import Address
            from bacpypes3.primitivedata import ObjectIdentifier

            await application.write_property(
                Address(address), ObjectIdentifier("binary-output,1"), PropertyIdentifier("present-value"), 1, None, 8
            )
        await survey_bacnet(Order(hosts=(address,)), adapter(), found, lambda: None, quiet, WITHIN_S)
    (device,) = found.devices.values()
    assert device.objects["binary-output,1"].priorities == ((8, 1),)
    assert device.objects["binary-output,2"].priorities == ()
    assert device.objects["binary-output,2"].commandable
    assert not device.objects["binary-input,1"].commandable


async def test_every_unit_and_register_of_a_simulated_plant_is_found(plant: Plant) -> None:
    found = Survey()
    units = {device.unit for device in plant.devices.values() if device.protocol == "modbus"}
    (gateway,) = {(device.host, device.port) for device in plant.devices.values() if device.protocol == "modbus"}
    order = Order(modbus=(gateway,), units=tuple(range(1, 13)), registers=(0, 200))
    async with rig(plant, StillPlant(plant)) as devices:
        silent = await survey_modbus(order, found, lambda: None, quiet)
        assert devices.writes.count == 0
    assert silent == {}
    assert {unit.unit for unit in found.units.values() if unit.there} == units
    assert len(found.units) == 12
    for point in plant.points.values():
        if isinstance(point.address, ModbusAddress):
            unit = found.units[f"{plant.devices[point.device].address}/{plant.devices[point.device].unit}"]
            wanted = range(point.address.first, point.address.first + point.address.count)
            assert all(at in unit.tables[point.address.table] for at in wanted), point.name


async def test_the_bits_of_an_independent_modbus_device_are_found_and_who_made_it(tmp_path: Path) -> None:
    from pymodbus import ModbusDeviceIdentification
    from pymodbus.server import ModbusTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    coils = [SimData(0, values=[True, False, True, True] + 12 * [False], datatype=DataType.BITS)]
    inputs = [SimData(0, values=[False, True] + 14 * [False], datatype=DataType.BITS)]
    words = [SimData(0, values=[0], datatype=DataType.REGISTERS)]
    identity = ModbusDeviceIdentification(  # type: ignore[no-untyped-call]
        info_name={"VendorName": "Pump Works", "ProductCode": "P-7", "MajorMinorRevision": "2.4"}
    )
    port = free_port(socket.SOCK_STREAM)
    device = SimDevice(1, simdata=(coils, inputs, words, words))
    server: Any = ModbusTcpServer([device], address=("127.0.0.1", port), identity=identity)
    await server.serve_forever(background=True)
    found = Survey()
    try:
        order = Order(modbus=(("127.0.0.1", port),), units=(1,), bits=(0, 3))
        assert await survey_modbus(order, found, lambda: None, quiet, 0.5) == {}
    finally:
        await server.shutdown()
    (unit,) = found.units.values()
    assert unit.tables == {"coil": {0: 1, 1: 0, 2: 1, 3: 1}, "discrete": {0: 0, 1: 1, 2: 0, 3: 0}}
    assert unit.identity == "Pump Works P-7 2.4"
    (line,) = report.unit_lines(found)
    assert "(Pump Works P-7 2.4)" in line
    assert "4 coils; 4 discrete inputs" in line
    keep(found, tmp_path)
    assert kept(tmp_path).units == found.units
    assert [row["description"] for row in draft._register_cells(found)][:2] == ["read as 1 (on)", "read as 0 (off)"]


async def test_a_unit_that_tells_nothing_of_itself_is_found_all_the_same() -> None:
    made = PEERS["pyModbusTCP"]()
    await made.start()
    try:
        async with modbus_browsing(made.device.host, made.device.port, within_s=0.5) as browser:
            assert await browser.identity(1) == ""
            assert (await browser.unit(1)).there
    finally:
        await made.stop()


@pytest.mark.parametrize("name", ["pyModbusTCP", "pymodbus"])
async def test_the_registers_of_an_independent_modbus_device_are_found(name: str) -> None:
    made = PEERS[name]()
    await made.start()
    try:
        async with modbus_browsing(made.device.host, made.device.port, within_s=0.5) as browser:
            assert (await browser.unit(1)).there
            sweep = await browser.registers(1, "holding", 0, 300)
    finally:
        await made.stop()
    assert sweep.words == {number: 10 * number for number in range(POINTS + 1)}
    assert sweep.trouble == ""
    assert sweep.requests < 2 * (300 - POINTS)


async def test_a_unit_that_pymodbus_lacks_is_not_taken_for_one_that_is_there() -> None:
    made = PEERS["pymodbus"]()
    await made.start()
    try:
        async with modbus_browsing(made.device.host, made.device.port, within_s=0.5) as browser:
            absent = await browser.unit(9)
    finally:
        await made.stop()
    assert not absent.there
    assert "exception 4" in absent.said


async def test_no_connection_is_told_for_the_gateway_and_not_per_unit() -> None:
    found = Survey()
    port = free_port(socket.SOCK_STREAM)
    silent = await survey_modbus(Order(modbus=(("127.0.0.1", port),), units=(1, 2, 3)), found, lambda: None, quiet)
    assert list(silent) == [f"127.0.0.1:{port}"]
    assert found.units == {}


def test_a_survey_leaves_home_folder_working_folder_and_environment_alone(tmp_path: Path) -> None:
    home, work = tmp_path / "home", tmp_path / "work"
    home.mkdir()
    work.mkdir()
    (work / ".env").write_text("PLANTVIEW_TEST_LOADED=yes\n", encoding="utf-8")
    script = (
        "import asyncio, os, sys\n"
        "from plantview.drivers.bacnet_browse import browsing\n"
        "from plantview.model.plant import Adapter\n"
        "async def main():\n"
        "    async with browsing(Adapter('127.0.0.1/8', int(sys.argv[1]))) as browser:\n"
        "        await browser.who_is(1, 2, 0.1)\n"
        "asyncio.run(main())\n"
        "print('loaded' if 'PLANTVIEW_TEST_LOADED' in os.environ else 'clean', os.environ['HOME'], os.getcwd())\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script, str(free_port(socket.SOCK_DGRAM))],
        cwd=work, env={**os.environ, "HOME": str(home), "PYTHONPATH": os.pathsep.join([str(CONFIG.parent), os.environ["PYTHONPATH"]])},
        capture_output=True, text=True, timeout=15, check=False,
    )  # fmt: skip
    assert ran.stderr == ""
    assert ran.stdout.split() == ["clean", str(home), str(work)]
    assert list(home.iterdir()) == []
    assert [path.name for path in work.iterdir()] == [".env"]


def quick(plant: Plant) -> Plant:
    """Return the plant with short periods and deadlines."""
    points = {name: replace(point, period_s=0.5) for name, point in plant.points.items()}
    devices = {name: replace(device, period_s=0.5, timeout_s=0.3) for name, device in plant.devices.items()}
    return replace(plant, points=points, devices=devices)


@pytest.mark.parametrize("plant", ["larkfield", "orchard", "millrace"], indirect=True)
async def test_preflight_reads_every_point_of_a_simulated_plant_and_its_clocks(plant: Plant) -> None:
    plant = quick(plant)
    assert adapter_trouble(plant) == {}
    async with rig(plant, StillPlant(plant)) as devices:
        outcome = await ask_once(plant, SystemClock(), quiet)
        assert devices.writes.count == 0
    assert set(outcome.readings) == set(plant.points)
    assert outcome.silent == {}
    clocks = [row["clock_offset_s"] for row in outcome.health.values() if row["protocol"] == "bacnet"]
    assert all(off_s is not None and abs(off_s) < 60 for off_s in clocks), "they tell the local time of the plant"
    wrong = [one for one in verdict(plant, outcome, {}) if one.level == BAD]
    out_of_range = [reading for reading in outcome.readings.values() if reading.quality is Quality.BAD]
    assert len(wrong) <= len(out_of_range) + 1  # a plant that stands still shows numbers that its limits refuse


async def test_preflight_names_a_silent_device_and_reads_the_others(plant: Plant) -> None:
    plant = quick(plant)
    async with rig(plant, StillPlant(plant)) as devices:
        devices.silence("BC-1", True)
        outcome = await ask_once(plant, SystemClock(), quiet)
    lines = [str(one) for one in verdict(plant, outcome, {}) if one.level == BAD]
    assert any(line.startswith("! BC-1 (bacnet") and "no answer" in line and "check power" in line for line in lines)
    others = {name for name, point in plant.points.items() if point.device != "BC-1"}
    assert others <= set(outcome.readings)


async def test_preflight_names_who_holds_the_port() -> None:
    plant = on_free_ports(load_plant(CONFIG / "orchard"))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as held:
        held.bind(("127.0.0.1", plant.bacnet.port))
        assert f"(process {os.getpid()})" in adapter_trouble(plant)[plant.bacnet]["port"]
        with pytest.raises(StartRefused):
            await ask_once(plant, SystemClock(), quiet)


async def test_preflight_refuses_a_mask_that_this_computer_does_not_have() -> None:
    plant = on_free_ports(load_plant(CONFIG / "orchard"))
    wrong = replace(plant, bacnet=replace(plant.bacnet, address="127.0.0.1/24"))
    assert "/8 on this computer, not /24" in adapter_trouble(wrong)[wrong.bacnet]["adapter"]


async def exit_code(act: Callable[[Namespace], int], *arguments: str) -> int:
    """Run a command in a thread of its own, while the devices are served in this one; return its exit code."""
    return await asyncio.to_thread(act, parser(ACTS).parse_args(arguments))


@pytest.mark.timeout(60)
async def test_the_command_surveys_writes_its_draft_and_goes_on_where_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plant = on_free_ports(load_plant(CONFIG / "orchard"))
    (gateway,) = {device.address for device in plant.devices.values() if device.protocol == "modbus"}
    command = [
        "survey", "--port", str(free_port(socket.SOCK_DGRAM)), "--host", plant.devices["BC-1"].address, "--modbus", gateway,
        "--units", "1-3", "--registers", "90-145", "--suggest", "--out", str(tmp_path / "found"),
    ]  # fmt: skip
    async with rig(plant, StillPlant(plant)) as devices:
        code = await exit_code(survey, *command)
        text = capsys.readouterr().out
        again = await exit_code(survey, *command)
        assert devices.writes.count == 0
    assert (code, again) == (0, 0)
    assert "* lo           127.0.0.1/8" in text
    assert f"device 310001 at {plant.devices['BC-1'].address}: simulated, simulated controller, BC-1" in text
    assert "unit 1 at" in text
    assert "float32" in text
    assert sorted(path.name for path in (tmp_path / "found").iterdir()) == [
        "decode.txt", "devices.toml", "points.csv", "suggestions.csv", "survey.json",
    ]  # fmt: skip
    assert "going on from" in capsys.readouterr().out


@pytest.mark.timeout(60)
async def test_the_command_preflights_a_plant_and_tells_by_its_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    plant = on_free_ports(load_plant(CONFIG / "orchard"))
    described = load_plant(CONFIG / "orchard")
    moved = {described.devices[name].address: device.address for name, device in plant.devices.items()}
    moved[f"127.0.0.1:{described.bacnet.port}"] = f"127.0.0.1:{plant.bacnet.port}"
    options = [part for old, new in moved.items() for part in ("--address", f"{old}={new}")]
    async with rig(plant, StillPlant(plant)) as devices:
        devices.silence("BC-1", True)
        code = await exit_code(preflight, "preflight", "orchard", *options)
        assert devices.writes.count == 0
    text = capsys.readouterr().out
    assert code == 1
    assert "! BC-1 (bacnet 310001" in text
    assert "check power, cable and address" in text


def test_a_preflight_of_a_folder_without_a_plant_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["preflight", "nowhere"]) == 2
    assert "there is no folder nowhere" in capsys.readouterr().err
