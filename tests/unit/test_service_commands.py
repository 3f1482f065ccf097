"""Commands in the field process: nothing is loaded by default; enabled, overrides are signals with alarms on them."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from pathlib import Path

import pytest

from plantview.alarms import compile_rules
from plantview.channel.messages import AskRefused
from plantview.clock import ManualClock
from plantview.config.order import practised
from plantview.derive import Derivation
from plantview.model.person import Role
from plantview.model.plant import Plant
from plantview.model.reading import Batch
from plantview.model.signal import signal_of
from plantview.service.command_alarms import TROUBLE, command_signals, override_name, with_command_alarms
from plantview.service.command_asks import CommandAsks
from tests.unit.command_rig import TECH, Rig, record

LOADED = """
import sys
from pathlib import Path
from plantview.clock import SystemClock
from plantview.config import load_plant
from plantview.config.order import practised
from plantview.service.field import Field
plant = load_plant(Path(sys.argv[1]))
field = Field(practised(plant) if sys.argv[3] == "practice" else plant, Path(sys.argv[2]), SystemClock())
print([name for name in sys.modules if name.startswith("plantview.commands") or name.endswith("_write")])
"""


@pytest.mark.parametrize("how", ["default", "practice"])
def test_building_the_field_process_loads_nothing_that_can_write(checkout: Path, tmp_path: Path, how: str) -> None:
    """With writing enabled it is loaded when the process begins to look after overrides, in one function."""
    command = [sys.executable, "-c", LOADED, str(checkout / "config" / "larkfield"), str(tmp_path), how]
    assert subprocess.run(command, capture_output=True, text=True, check=True, timeout=30).stdout.strip() == "[]"


def test_each_listed_point_has_a_signal_and_alarms_that_compile(larkfield: Plant) -> None:
    assert command_signals(larkfield) == {}
    assert with_command_alarms(larkfield) is larkfield
    plant = practised(larkfield)
    signals = {name: signal_of(point) for name, point in plant.points.items()} | dict(Derivation(plant).signals)
    rules, problems = compile_rules(with_command_alarms(plant), {**signals, **command_signals(plant)})
    assert problems == []
    ours = {rule.id: rule for rule in rules if rule.point in command_signals(plant)}
    assert len(ours) == 5 * len(plant.writes.permits) + 1
    assert ours["CH-1.setpoint.NOT-RELEASED"].priority == 1
    assert ours["CH-1.setpoint.NOT-RELEASED"].equipment == "CH-1"
    assert all(rule.annunciated for rule in ours.values())


async def test_how_overrides_stand_is_handed_on_as_readings(tmp_path: Path) -> None:
    rig = Rig(tmp_path, record())
    taken: list[Batch] = []
    asks = CommandAsks(rig.plant, tmp_path, rig.clock, rig.signals, rig.frame, taken.append)
    await rig.write("CH-1.setpoint", 45.0)
    asks._tell(rig.desk)
    readings = taken[-1].readings
    assert readings[override_name("CH-1.setpoint")].value == 1.0
    assert readings[TROUBLE].value == 0.0


async def test_before_overrides_are_taken_up_nothing_is_done(tmp_path: Path) -> None:
    rig = Rig(tmp_path, record())
    asks = CommandAsks(rig.plant, tmp_path, ManualClock(), rig.signals, rig.frame, lambda _: None)
    for body, code in (
        ({"act": "arm", "person": TECH.row(), "body": {}}, "recovering"),
        ({"act": "arm", "person": {**TECH.row(), "role": "king"}, "body": {}}, "person"),
        ({"act": "arm", "person": None, "body": {}}, "person"),
        ({"act": "arm", "person": TECH.row(), "body": []}, "content"),
    ):
        with pytest.raises(AskRefused) as refusal:
            await asks.command(body)
        assert refusal.value.code == code
    state = await asks.state({})
    assert (state["enabled"], state["arms"], bool(state["trouble"])) == (True, [], True)
    seen = await asks.overrides({})
    assert (seen["held"], seen["points"]) == ([], 2)
    assert "no answer" in seen["silent"]["chw-supply.setpoint"]
    assert await asks.session_ended({"session": "x"}) == {}


async def test_a_disk_that_cannot_take_the_audit_ends_no_monitoring_and_raises_an_alarm(tmp_path: Path) -> None:
    (tmp_path / "rig").mkdir()
    rig = Rig(tmp_path / "rig", record())
    (tmp_path / "audit").write_text("a file where the folder must be")
    told = asyncio.Event()
    taken: list[Batch] = []

    def take(batch: Batch) -> None:
        taken.append(batch)
        told.set()

    asks = CommandAsks(rig.plant, tmp_path, rig.clock, rig.signals, rig.frame, take)
    running = asyncio.create_task(asks.run())
    async with asyncio.timeout(5):
        await told.wait()
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    assert taken[0].readings[TROUBLE].value == 1.0
    assert "audit" in (await asks.state({}))["trouble"]


def test_roles_reach_the_field_as_they_are() -> None:
    assert TECH.row()["role"] == Role.TECHNICIAN.value
