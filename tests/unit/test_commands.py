"""Commands over a plain record of equipment: two people, two tabs, a slow link, an expired session, a clock step, and the rest."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from plantview.alarms.expression import parse
from plantview.commands import verdict
from plantview.commands.conditions import built_in
from plantview.commands.keeper import MOVES
from plantview.commands.override import KEPT, Override, Result, override_of
from plantview.commands.targets import check_target
from plantview.drivers.look import Look
from plantview.errors import CommandRefused, DeviceRefused, DeviceSilent, DeviceUnreachable
from plantview.model.person import Person, Role
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Reading
from plantview.service.command_alarms import STATES
from tests.unit.command_rig import (
    ADMIN,
    BACNET,
    LEAD,
    MODBUS,
    OPERATOR,
    OTHER,
    REASON,
    START,
    TECH,
    VIEWER,
    Record,
    Rig,
    permit,
    plant_of_two,
    record,
)


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path, record())


def equipment(rig: Rig) -> Record:
    assert isinstance(rig.equipment, Record)
    return rig.equipment


async def refused(rule: str, doing: Any) -> str:
    with pytest.raises(CommandRefused) as found:
        await doing
    assert found.value.rule == rule, str(found.value)
    return str(found.value)


def with_permit(rig: Rig, point: str, **changes: Any) -> None:
    writes = rig.plant.writes
    object.__setattr__(
        rig.plant,
        "writes",
        replace(writes, permits={**writes.permits, point: replace(writes.permits[point], **changes)}),
    )


# --- arming ------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({"confirmed": False}, "confirm"), ({"confirmed": "yes"}, "confirm"), ({"reason": "too short"}, "reason"),
        ({"reason": " " * 20}, "reason"), ({"reason": "x" * 301}, "reason"), ({"seconds": 901}, "time"),
        ({"seconds": 0}, "time"), ({"seconds": "900"}, "time"), ({"seconds": True}, "time"),
    ],
)  # fmt: skip
async def test_arming_needs_the_password_a_reason_and_a_short_time(
    rig: Rig, changes: dict[str, Any], rule: str
) -> None:
    await refused(rule, rig.arm("CH-1", **changes))
    assert rig.desk.state()["arms"] == []
    assert rig.rules() == [rule]


@pytest.mark.parametrize("person", [VIEWER, OPERATOR, ADMIN])
async def test_only_technicians_and_leads_arm(rig: Rig, person: Person) -> None:
    await refused("role", rig.arm("CH-1", person))


async def test_what_has_nothing_on_the_list_cannot_be_armed(rig: Rig) -> None:
    for name in ("CH-2", "", "../CH-1", "CH-1\n", "x" * 1_000):
        await refused("not_listed", rig.arm(name))


async def test_everybody_sees_who_armed_what_why_and_for_how_long(rig: Rig) -> None:
    await rig.arm("CH-1")
    rig.pass_s(10.0)
    assert rig.desk.state()["arms"] == [{"equipment": "CH-1", "person": "jd", "reason": REASON, "left_s": 890}]


async def test_an_arm_drops_when_its_page_is_not_heard_for_half_a_minute(rig: Rig) -> None:
    await rig.arm("CH-1")
    for _ in range(4):
        rig.pass_s(29.0)
        await rig.desk.act("heard", TECH, {})
        await rig.desk.tick()
    assert rig.desk.state()["arms"]
    rig.pass_s(29.9)
    await rig.desk.tick()
    assert rig.desk.state()["arms"]
    rig.pass_s(0.1)
    await rig.desk.tick()
    assert rig.desk.state()["arms"] == []
    assert rig.told()[-1]["result"] == "the page that armed it is no longer heard"


async def test_an_arm_drops_when_nothing_is_done_with_it_for_five_minutes_and_after_fifteen_at_all(rig: Rig) -> None:
    await rig.arm("CH-1")
    ended: list[float] = []
    for second in range(0, 1_000, 10):
        rig.pass_s(10.0)
        await rig.desk.act("heard", TECH, {})
        if second % 200 == 0 and rig.desk.state()["arms"]:
            await rig.stage(MODBUS, 45.0)
        await rig.desk.tick()
        if not rig.desk.state()["arms"]:
            ended.append(second + 10.0)
            break
    assert ended == [900.0]
    await rig.arm("CH-1")
    for _ in range(30):
        rig.pass_s(10.0)
        await rig.desk.act("heard", TECH, {})
    await rig.desk.tick()
    assert rig.told()[-1]["result"] == "nothing was done with it for 5 min"


async def test_the_end_of_a_session_drops_its_arms_and_what_it_staged_and_nobody_elses(rig: Rig) -> None:
    await rig.arm("CH-1")
    await rig.arm("CWP-1", OTHER)
    order = await rig.stage(MODBUS, 45.0)
    rig.pass_s(1.5)
    rig.desk.session_ended(TECH.session, "signed out")
    assert [row["equipment"] for row in rig.desk.state()["arms"]] == ["CWP-1"]
    await refused("token", rig.commit(order))
    assert equipment(rig).packets == []


async def test_one_person_arms_four_machines_at_most(rig: Rig) -> None:
    rig.desk.arms._arms |= {
        f"X-{number}": rig.desk.arms.arm(f"X-{number}", TECH, REASON, 900.0, confirmed=True) for number in range(4)
    }
    await refused("too_many", rig.arm("CH-1"))
    await rig.arm("CH-1", OTHER)


async def test_disarming_is_for_whoever_armed_and_for_a_lead(rig: Rig) -> None:
    await rig.arm("CH-1")
    await refused("armed_by", rig.desk.act("disarm", OTHER, {"equipment": "CH-1"}))
    await rig.desk.act("disarm", LEAD, {"equipment": "CH-1"})
    assert rig.desk.state()["arms"] == []
    assert (rig.told()[-1]["act"], rig.told()[-1]["result"]) == ("disarmed", "disarmed by mk")
    await refused("not_armed", rig.desk.act("disarm", TECH, {"equipment": "CH-1"}))
    await refused("not_armed", rig.stage(MODBUS, 45.0))


# --- staging -----------------------------------------------------------------------------------------------
async def test_a_stage_shows_everything_before_a_hand_moves(rig: Rig) -> None:
    equipment(rig).slots[BACNET][9] = 43.0
    equipment(rig).extra[BACNET] = {
        "held_by": ("",) * 9 + ("192.0.2.9:47808",) + ("",) * 6,
        "held_since": ("x",) * 16,
    }
    rig.quiet = {**rig.quiet, BACNET: 43.0}
    await rig.arm("chw-supply")
    rig.pass_s(3.0)
    shown = await rig.stage(BACNET, 44.5)
    assert (shown["now"], shown["value"], shown["unit"], shown["quality"]) == (43.0, 44.5, "degF", "GOOD")
    assert shown["address"].startswith("bacnet 4711 at 127.0.0.1:")
    assert shown["slots"] == [{
        "priority": 10, "value": 43.0, "winner": True, "ours": False, "by": "192.0.2.9:47808", "since": "x",
    }]  # fmt: skip
    assert (shown["relinquish_default"], shown["priority"], shown["sticky"]) == (44.0, 8, False)
    assert (shown["range"], shown["step"], shown["most_step"], shown["most_change"]) == ([40.0, 50.0], 1.5, 2.0, 4.0)
    assert shown["seconds"] == 7_200.0
    assert shown["expires_ms"] == rig.clock.now_ms() + 7_200_000
    assert "released" in shown["dies"]
    assert len(shown["token"]) >= 43
    assert shown["warnings"] == []


async def test_the_devices_own_limits_and_units_narrow_what_may_be_ordered(rig: Rig) -> None:
    await rig.arm("chw-supply")
    equipment(rig).extra[BACNET] = {"low": 43.5, "high": 44.5}
    await refused("range", rig.stage(BACNET, 45.0))
    await refused("range", rig.stage(BACNET, 43.0))
    equipment(rig).extra[BACNET] = {"units": "degrees-celsius"}
    await refused("unit", rig.stage(BACNET, 45.0))
    equipment(rig).extra[BACNET] = {"units": ""}
    await rig.stage(BACNET, 45.0)


async def test_a_value_in_another_unit_is_converted_once(rig: Rig) -> None:
    await rig.arm("chw-supply")
    shown = await rig.desk.act("stage", TECH, {"point": BACNET, "value": 7.5, "unit": "degC"})
    assert shown["value"] == pytest.approx(45.5)
    await refused("unit", rig.desk.act("stage", TECH, {"point": BACNET, "value": 45.0, "unit": "kPa"}))
    await refused("unit", rig.desk.act("stage", TECH, {"point": BACNET, "value": 45.0}))


@pytest.mark.parametrize(
    ("shown", "reading"),
    [
        ({"fault": True}, None), ({"out_of_service": True}, None), ({"value": None}, None),
        ({}, Reading(44.0, Quality.STALE, "no answer; value is 40 s old", 0)), ({}, Reading(None, Quality.BAD, "no data", 0)),
    ],
)  # fmt: skip
async def test_what_is_not_known_to_be_well_is_not_written(
    rig: Rig, shown: dict[str, Any], reading: Reading | None
) -> None:
    await rig.arm("CH-1")
    equipment(rig).extra[MODBUS] = shown
    if reading is not None:
        rig.readings[MODBUS] = reading
    await refused("quality", rig.stage(MODBUS, 45.0))


async def test_a_point_in_hand_is_written_with_a_warning(rig: Rig) -> None:
    await rig.arm("chw-supply")
    equipment(rig).extra[BACNET] = {"overridden": True}
    rig.readings[BACNET] = Reading(44.0, Quality.UNCERTAIN, "in hand", rig.clock.now_ms())
    assert "in hand" in (await rig.stage(BACNET, 45.0))["warnings"][0]


async def test_a_slot_that_another_writer_holds_is_never_written(rig: Rig) -> None:
    equipment(rig).slots[BACNET][7] = 45.0
    await rig.arm("chw-supply")
    assert "another writer" in await refused("held", rig.stage(BACNET, 45.0))
    assert equipment(rig).packets == []


async def test_a_silent_device_is_not_written(rig: Rig) -> None:
    await rig.arm("CH-1")
    equipment(rig).silent.add("PANEL")
    await refused("no_answer", rig.stage(MODBUS, 45.0))


async def test_steps_sums_of_steps_and_numbers_are_limited(rig: Rig) -> None:
    with_permit(rig, MODBUS, per_hour=4)
    await refused("step", _armed_stage(rig, MODBUS, 46.5))
    for value in (46.0, 44.5):
        await rig.write(MODBUS, value)
        await rig.tick(1.0)
    assert "moved by 3.5" in await refused("rate", rig.stage(MODBUS, 45.5))
    await rig.stage(MODBUS, 45.0)
    await rig.tick(*[25.0] * 24)
    for value in (45.0, 45.5):
        await rig.write(MODBUS, value)
        await rig.tick(1.0)
    await refused("too_often", rig.stage(MODBUS, 45.0))
    rig.pass_s(3_600.0)
    await rig.arm("CH-1")
    await rig.stage(MODBUS, 45.0)


async def _armed_stage(rig: Rig, point: str, value: float) -> Any:
    await rig.arm(rig.plant.points[point].equipment)
    return await rig.stage(point, value)


async def test_a_session_stages_twenty_times_a_minute_and_keeps_four(rig: Rig) -> None:
    await rig.arm("CH-1")
    orders = [await rig.stage(MODBUS, 45.0) for _ in range(20)]
    await refused("too_often", rig.stage(MODBUS, 45.0))
    looks = equipment(rig).looks
    rig.pass_s(1.5)
    await refused("token", rig.commit(orders[15]))
    assert equipment(rig).looks == looks
    await rig.commit(orders[16])


async def test_a_lead_may_order_longer_and_choose_a_priority_and_nobody_for_ever(rig: Rig) -> None:
    await rig.arm("chw-supply")
    await refused("time", rig.stage(BACNET, 45.0, seconds=7_201))
    await refused("priority", rig.stage(BACNET, 45.0, priority=9))
    for forever in (86_401, math.inf, -1, 0, "2 h", True, None):
        if forever is not None:
            await refused("time", rig.stage(BACNET, 45.0, seconds=forever))
    await rig.desk.act("disarm", TECH, {"equipment": "chw-supply"})
    await rig.arm("chw-supply", LEAD)
    shown = await rig.stage(BACNET, 45.0, LEAD, seconds=86_400, priority=15)
    assert (shown["seconds"], shown["priority"]) == (86_400, 15)
    assert "longer than usual" in shown["warnings"][0]


# --- conditions ----------------------------------------------------------------------------------------------
async def test_a_condition_that_is_false_or_unknown_forbids(rig: Rig) -> None:
    with_permit(rig, MODBUS, needs=("CH-1.chw_flow_proof is FLOW",))
    await rig.arm("CH-1")
    shown = await rig.stage(MODBUS, 45.0)
    assert shown["conditions"] == [{
        "text": "CH-1.chw_flow_proof is FLOW", "holds": True,
        "readings": [{"signal": "CH-1.chw_flow_proof", "value": "FLOW", "reason": ""}],
    }]  # fmt: skip
    rig.quiet = {**rig.quiet, "CH-1.chw_flow_proof": 0.0}
    assert "does not hold" in await refused("condition", rig.stage(MODBUS, 45.0))
    rig.readings["CH-1.chw_flow_proof"] = Reading(1.0, Quality.STALE, "old", 0)
    assert "is not known" in await refused("condition", rig.stage(MODBUS, 45.0))
    with_permit(rig, MODBUS, needs=("CH-9 runs",))
    await refused("condition", rig.stage(MODBUS, 45.0))


async def test_a_condition_is_judged_again_at_commit(rig: Rig) -> None:
    with_permit(rig, MODBUS, needs=("CH-1.chw_flow_proof is FLOW",))
    await rig.arm("CH-1")
    order = await rig.stage(MODBUS, 45.0)
    rig.pass_s(1.5)
    rig.quiet = {**rig.quiet, "CH-1.chw_flow_proof": 0.0}
    await refused("condition", rig.commit(order))
    assert equipment(rig).packets == []


def test_the_minimum_set_guards_a_chiller_start_and_the_water_of_a_machine_that_runs(larkfield: Plant) -> None:
    enable, pump = larkfield.points["CH-1.fault"], larkfield.points["PCHWP-1.command"]
    enable = replace(enable, measurement="enable")
    assert built_in(larkfield, enable, 1.0, 0.0) == [
        "CH-1.chw_flow_proof is 'FLOW'", "CH-1.cw_flow_proof is 'FLOW'", "CH-1.fault is 'NORMAL'",
        "CH-1.restart_time_left below 1 s",
    ]  # fmt: skip
    assert built_in(larkfield, enable, 0.0, 1.0) == []
    stop = built_in(larkfield, pump, 0.0, 1.0)
    assert stop[0] == "not CH-1 runs or PCHWP-2 runs or PCHWP-3 runs"
    assert len(stop) == 3
    assert built_in(larkfield, pump, 1.0, 0.0) == []
    from plantview.model.signal import signal_of

    signals = {name: signal_of(point) for name, point in larkfield.points.items()}
    for text in (*built_in(larkfield, enable, 1.0, 0.0), *stop):
        parse(text, larkfield, signals)


# --- commit ----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({"value": 45.5}, "content"), ({"point": BACNET}, "content"), ({"priority": 8}, "content"), ({"value": "45.0"}, "content"),
        ({"token": "forged"}, "token"), ({"token": ""}, "token"), ({"value": None}, "content"), ({"value": True}, "content"),
    ],
)  # fmt: skip
async def test_an_order_that_is_not_the_one_staged_is_refused(rig: Rig, changes: dict[str, Any], rule: str) -> None:
    await rig.arm("CH-1")
    order = await rig.stage(MODBUS, 45.0)
    rig.pass_s(1.5)
    await refused(rule, rig.commit(order, **changes))
    assert equipment(rig).packets == []


async def test_nobody_commits_within_a_second_or_after_a_minute(rig: Rig) -> None:
    await rig.arm("CH-1")
    for seconds, rule in ((0.9, "too_fast"), (60.1, "token_old")):
        order = await rig.stage(MODBUS, 45.0)
        rig.pass_s(seconds)
        rig.desk.arms.heard(TECH.session)
        await refused(rule, rig.commit(order))
    await rig.arm("CH-1")
    for seconds, value in ((1.0, 45.0), (60.0, 45.5)):
        order = await rig.stage(MODBUS, value)
        rig.pass_s(seconds)
        rig.desk.arms.heard(TECH.session)
        await rig.arm("CH-1")
        assert (await rig.commit(order))["state"] == "VERIFYING"
        await rig.tick(1.0)


async def test_two_tabs_of_one_person_write_once(rig: Rig) -> None:
    await rig.arm("CH-1")
    first, second = await rig.stage(MODBUS, 45.0), await rig.stage(MODBUS, 45.5)
    rig.pass_s(1.5)
    await rig.commit(first)
    await refused("held", rig.commit(second))
    assert equipment(rig).writes(MODBUS) == [45.0]


async def test_a_role_that_changed_meanwhile_is_noticed_at_every_step(rig: Rig) -> None:
    await rig.arm("CH-1")
    promoted = Person(TECH.name, Role.LEAD, TECH.session, TECH.source)
    order = await rig.stage(MODBUS, 45.0)
    rig.pass_s(1.5)
    await refused("role", rig.stage(MODBUS, 45.0, promoted))
    await refused("role", rig.commit(order, promoted))
    assert equipment(rig).packets == []


@pytest.mark.parametrize(
    "change",
    [
        {"overridden": True},
        {"value": 45.1},
        {"value": 42.9},
        {"value": None},
        {"out_of_service": True},
        {"fault": True},
    ],
)
async def test_whatever_changed_since_it_was_looked_at_is_refused(rig: Rig, change: dict[str, Any]) -> None:
    await rig.arm("chw-supply")
    order = await rig.stage(BACNET, 44.5)
    rig.pass_s(1.5)
    equipment(rig).extra[BACNET] = change
    await refused("changed", rig.commit(order))


async def test_a_value_within_its_tolerance_has_not_changed(rig: Rig) -> None:
    await rig.arm("chw-supply")
    order = await rig.stage(BACNET, 44.5)
    rig.pass_s(1.5)
    equipment(rig).extra[BACNET] = {"value": 45.0}
    await rig.commit(order)


async def test_a_slot_that_was_filled_meanwhile_is_not_destroyed(rig: Rig) -> None:
    await rig.arm("chw-supply")
    order = await rig.stage(BACNET, 44.5)
    rig.pass_s(1.5)
    equipment(rig).slots[BACNET][7] = 44.0
    equipment(rig).slots[BACNET][5] = 44.0
    await refused("changed", rig.commit(order))
    assert equipment(rig).packets == []


async def test_a_slot_that_was_filled_below_the_winner_is_not_destroyed_either(rig: Rig) -> None:
    equipment(rig).slots[BACNET][4] = 44.0
    await rig.arm("chw-supply")
    order = await rig.stage(BACNET, 44.5)
    rig.pass_s(1.5)
    equipment(rig).slots[BACNET][7] = 44.0
    await refused("changed", rig.commit(order))
    assert equipment(rig).packets == []


async def test_a_point_without_a_slot_has_its_name_typed_critical_or_not(rig: Rig) -> None:
    await rig.arm("CH-1")
    order = await rig.stage(MODBUS, 44.5)
    assert order["typed"]
    rig.pass_s(1.5)
    await refused("typed", rig.commit(order, typed=""))


async def test_after_a_start_a_release_that_the_device_refuses_keeps_its_machine_closed(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0)
    await rig.tick(1.0)
    rig.pass_s(8_000.0)
    rig.start()
    equipment(rig).fails = [DeviceRefused("PANEL", "exception 4", code="4")]
    await rig.tick(0.0)
    await refused("recovering", rig.arm("CH-1"))
    await rig.tick(10.0)
    await rig.arm("CH-1")


async def test_our_own_override_can_be_changed_and_what_stood_before_it_is_kept(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0)
    await rig.tick(1.0)
    await rig.write(MODBUS, 46.5)
    await rig.tick(1.0)
    row = rig.row(MODBUS)
    assert (row["value"], row["restore"], row["state"]) == (46.5, 44.0, "HELD")
    assert len(rig.desk.keeper.overrides) == 1
    await rig.tick(7_201.0)
    assert equipment(rig).writes(MODBUS) == [45.0, 46.5, 44.0]


@pytest.mark.parametrize(
    ("error", "before", "after"),
    [
        (DeviceRefused("PANEL", "refused by the device: exception 3", code="3"), ("REFUSED", "REFUSED_BY_DEVICE"), ("HELD", 45.0)),
        (DeviceUnreachable("PANEL", "no connection"), ("NOT_WRITTEN", "NOT_WRITTEN"), ("HELD", 45.0)),
    ],
)  # fmt: skip
async def test_a_clear_no_ends_a_command_and_leaves_what_was_held_before(
    rig: Rig, error: Exception, before: tuple[str, str], after: tuple[str, float]
) -> None:
    equipment(rig).fails = [error]
    answer = await rig.write(MODBUS, 45.0)
    assert (answer["state"], answer["result"]) == before
    assert rig.desk.numbers()[MODBUS] == 0
    await rig.write(MODBUS, 45.0)
    await rig.tick(1.0)
    equipment(rig).fails = [error]
    answer = await rig.write(MODBUS, 46.0)
    assert (answer["state"], answer["result"]) == (after[0], before[1])
    assert rig.row(MODBUS)["value"] == after[1]
    await rig.tick(7_201.0)
    assert equipment(rig).writes(MODBUS) == [45.0, 44.0]


async def test_an_unanswered_change_is_read_before_anything_else(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0)
    await rig.tick(1.0)
    equipment(rig).fails = [DeviceSilent("PANEL", "no answer")]
    await rig.write(MODBUS, 46.0)
    assert rig.row(MODBUS)["state"] == "UNKNOWN"
    assert rig.desk.numbers()[MODBUS] == 5
    await refused("held", rig.stage(MODBUS, 45.5))
    await rig.tick(1.0)
    assert (rig.row(MODBUS)["state"], rig.row(MODBUS)["value"], rig.row(MODBUS)["result"]) == (
        "HELD",
        45.0,
        "NOT_WRITTEN",
    )


async def test_an_unanswered_write_that_was_done_is_found_late(rig: Rig) -> None:
    equipment(rig).silent.add("PANEL")
    equipment(rig).silent.clear()
    await rig.arm("CH-1")
    order = await rig.stage(MODBUS, 45.0)
    rig.pass_s(1.5)
    look, equipment(rig).before = (
        equipment(rig).before,
        lambda border: equipment(rig).silent.add("PANEL") if border.startswith("put done") else None,
    )
    await rig.commit(order)
    equipment(rig).before = look
    equipment(rig).silent.clear()
    assert rig.row(MODBUS)["state"] == "UNKNOWN"
    await rig.tick(1.0)
    assert (rig.row(MODBUS)["result"], rig.row(MODBUS)["detail"]) == ("VERIFIED", " (late)")
    assert equipment(rig).writes(MODBUS) == [45.0]


# --- lease and release -----------------------------------------------------------------------------------------
async def test_machines_are_released_before_their_pumps(rig: Rig) -> None:
    for point, value in ((START, 1.0), (MODBUS, 45.0), (BACNET, 45.0)):
        await rig.write(point, value)
        await rig.tick(1.0)
    done = len(equipment(rig).packets)
    await rig.desk.act("release_all", LEAD, {})
    await rig.tick(1.0, 1.0, 1.0)
    assert [name for name, _, _ in equipment(rig).packets[done:]] == [MODBUS, BACNET, START]
    assert {row["state"] for row in rig.desk.keeper.rows()} == {"RELEASED"}


async def test_a_machine_that_cannot_be_released_holds_its_pump_up_for_a_minute(rig: Rig) -> None:
    for point, value in ((START, 1.0), (MODBUS, 45.0)):
        await rig.write(point, value)
        await rig.tick(1.0)
    equipment(rig).silent.add("PANEL")
    await rig.desk.act("release_all", LEAD, {})
    await rig.tick(*[10.0] * 5)
    assert rig.row(START)["state"] == "HELD"
    await rig.tick(10.0)
    assert rig.row(START)["state"] == "RELEASED"
    assert MOVES[rig.desk.numbers()[MODBUS]] == "NOT RELEASED"


async def test_a_release_that_could_start_a_machine_waits_for_its_work_notice(rig: Rig) -> None:
    equipment(rig).default[START] = 1.0
    equipment(rig).slots[START][11] = 0.0
    rig.quiet = {**rig.quiet, START: 0.0}
    await rig.arm("CWP-1")
    order = await rig.stage(START, 0)
    rig.pass_s(1.5)
    await rig.commit(order)
    equipment(rig).slots[START][11] = None
    await rig.tick(1.0)
    await rig.desk.act("notice", OTHER, {"equipment": "CWP-1", "text": "seal change", "phone": "17"})
    await rig.tick(7_200.0, 60.0)
    assert MOVES[rig.desk.numbers()[START]] == "HELD BACK"
    assert rig.row(START)["held_back"] == "work notice of ab: ON would take over"
    assert equipment(rig).writes(START) == [0.0]
    await rig.desk.act("notice_remove", OTHER, {"equipment": "CWP-1"})
    await rig.tick(60.0)
    assert rig.row(START)["state"] == "RELEASED"


async def test_a_release_look_says_what_takes_over(rig: Rig) -> None:
    equipment(rig).slots[BACNET][12] = 43.0
    rig.quiet = {**rig.quiet, BACNET: 43.0}
    for point in (BACNET, MODBUS):
        await rig.write(point, 44.5)
        await rig.tick(1.0)
    seen = [await rig.desk.act("release_look", OTHER, {"id": rig.row(point)["id"]}) for point in (BACNET, MODBUS)]
    assert [row["takes_over"] for row in seen] == [43.0, 44.0]
    assert all("Not lockout" in row["warning"] for row in seen)
    for number in (99, "1", None, True):
        await refused("unknown", rig.desk.act("release_look", OTHER, {"id": number}))
    await refused("role", rig.desk.act("release", OPERATOR, {"id": rig.row(BACNET)["id"]}))
    await refused("role", rig.desk.act("release_all", VIEWER, {}))


async def test_a_release_that_is_refused_or_not_done_is_tried_again_after_growing_pauses_each_after_a_reading(
    rig: Rig,
) -> None:
    await rig.write(BACNET, 45.0)
    await rig.tick(1.0)
    equipment(rig).fails = [DeviceRefused("BC-1", "write-access-denied", code="write-access-denied")] * 3
    looks = equipment(rig).looks
    tried: list[float] = []
    begun = rig.clock.monotonic_s()
    rig.pass_s(7_200.0)
    for _ in range(60):
        left = len(equipment(rig).fails)
        await rig.tick(1.0)
        if len(equipment(rig).fails) < left:
            tried.append(rig.clock.monotonic_s() - begun - 7_200.0)
            assert MOVES[rig.desk.numbers()[BACNET]] == "NOT RELEASED"
    assert len(tried) == 3
    assert tried[1] - tried[0] >= 2.0
    assert tried[2] - tried[1] >= 5.0
    assert equipment(rig).looks > looks + 3
    assert rig.row(BACNET)["state"] == "RELEASED"
    assert equipment(rig).writes(BACNET) == [45.0, None]


async def test_a_device_that_accepts_a_release_and_keeps_the_value_is_not_believed(rig: Rig) -> None:
    await rig.write(BACNET, 45.0)
    await rig.tick(1.0)
    equipment(rig).deaf.add("BC-1")
    plain = equipment(rig)._answer
    equipment(rig)._answer = lambda point: None  # type: ignore[method-assign]
    rig.pass_s(7_200.0)
    for _ in range(300):
        await rig.tick(1.0)
    equipment(rig)._answer = plain  # type: ignore[method-assign]
    assert MOVES[rig.desk.numbers()[BACNET]] == "NOT RELEASED"
    assert 4 <= len(equipment(rig).writes(BACNET)) <= 14, "with growing pauses"


async def test_an_override_that_somebody_else_released_is_gone_and_nothing_is_sent(rig: Rig) -> None:
    await rig.write(BACNET, 45.0)
    await rig.tick(1.0)
    equipment(rig).slots[BACNET][7] = None
    await rig.tick(60.0)
    assert (rig.row(BACNET)["state"], rig.row(BACNET)["detail"]) == (
        "GONE",
        "not there any more, and not released by us",
    )
    await rig.tick(7_200.0)
    assert equipment(rig).writes(BACNET) == [45.0]


async def test_another_writers_value_is_alarmed_until_it_goes_or_a_person_leaves_it(rig: Rig) -> None:
    for point in (BACNET, MODBUS):
        await rig.write(point, 45.0)
        await rig.tick(1.0)
    equipment(rig).slots[BACNET][7] = 47.0
    equipment(rig).sticky[MODBUS] = 47.0
    await rig.tick(60.0)
    assert [rig.desk.numbers()[point] for point in (BACNET, MODBUS)] == [3, 3]
    assert {rig.row(point)["detail"] for point in (BACNET, MODBUS)} == {"another writer's value stands there: 47.0"}
    await refused("not_ours", rig.desk.act("release", LEAD, {"id": rig.row(BACNET)["id"]}))
    equipment(rig).slots[BACNET][7] = None
    await refused("role", rig.desk.act("dismiss", OPERATOR, {"id": rig.row(MODBUS)["id"]}))
    await rig.desk.act("dismiss", TECH, {"id": rig.row(MODBUS)["id"]})
    await rig.tick(60.0)
    assert [rig.row(point)["state"] for point in (BACNET, MODBUS)] == ["GONE", "DISMISSED"]
    assert [rig.desk.numbers()[point] for point in (BACNET, MODBUS)] == [0, 0]
    assert len(equipment(rig).packets) == 2


async def test_priorities_that_cannot_be_read_just_now_are_no_sign_of_another_writer(rig: Rig) -> None:
    await rig.write(BACNET, 45.0)
    await rig.tick(1.0)
    equipment(rig).extra[BACNET] = {"slots": None, "value": 41.0}
    await rig.tick(60.0, 7_200.0)
    assert (rig.row(BACNET)["state"], MOVES[rig.desk.numbers()[BACNET]]) == ("HELD", "NOT RELEASED")
    equipment(rig).extra.clear()
    await rig.tick(60.0)
    assert equipment(rig).writes(BACNET) == [45.0, None]


async def test_a_command_without_effect_is_looked_at_again_every_ten_seconds(rig: Rig) -> None:
    equipment(rig).slots[BACNET][4] = 44.0
    await rig.write(BACNET, 45.0)
    await rig.tick(1.0, 2.0, 7.0)
    assert rig.row(BACNET)["result"] == "ACCEPTED_NOT_EFFECTIVE"
    equipment(rig).slots[BACNET][4] = None
    await rig.tick(9.0)
    assert rig.row(BACNET)["result"] == "ACCEPTED_NOT_EFFECTIVE"
    await rig.tick(1.0)
    assert rig.row(BACNET)["result"] == "VERIFIED"
    looks = equipment(rig).looks
    await rig.tick(59.0)
    assert equipment(rig).looks == looks, "what is proven is looked at once a minute"
    await rig.tick(1.0)
    assert equipment(rig).looks == looks + 1


async def test_the_state_that_pages_ask_for_says_what_is_in_force(rig: Rig) -> None:
    state = rig.desk.state()
    assert (state["enabled"], state["practice"], state["trouble"]) == (True, False, "")
    assert state["warning"].startswith("Not lockout: lock and tag at the disconnect")


async def test_what_is_ours_cannot_be_left_to_another_writer(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0)
    await refused("not_possible", rig.desk.act("dismiss", TECH, {"id": rig.row(MODBUS)["id"]}))


async def test_where_the_old_and_the_new_value_are_one_nothing_is_sent_to_release_it(rig: Rig) -> None:
    await rig.write(MODBUS, 44.0)
    await rig.tick(1.0)
    assert rig.row(MODBUS)["state"] == "HELD"
    await rig.tick(7_200.0)
    assert rig.row(MODBUS)["state"] == "RELEASED"
    assert equipment(rig).writes(MODBUS) == [44.0]


async def test_a_hold_to_run_ends_half_a_minute_after_its_page(rig: Rig) -> None:
    with_permit(rig, START, hold_to_run=True)
    await rig.write(START, 1.0)
    for _ in range(6):
        await rig.tick(20.0)
        await rig.desk.act("heard", TECH, {})
    assert rig.row(START)["state"] == "HELD"
    await rig.tick(31.0)
    assert rig.row(START)["state"] == "RELEASED"


async def test_an_ordinary_override_survives_its_page(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0)
    await rig.tick(1.0, 3_000.0)
    assert rig.row(MODBUS)["state"] == "HELD"


@pytest.mark.parametrize("step_s", [7_200.0, -86_400.0, 3_000_000.0])
async def test_a_stepped_clock_neither_shortens_nor_lengthens_an_override(rig: Rig, step_s: float) -> None:
    await rig.write(MODBUS, 45.0)
    await rig.tick(1.0)
    rig.manual.step(step_s)
    await rig.tick(1.0, 7_190.0)
    assert rig.row(MODBUS)["state"] == "HELD"
    assert "clock step" in {row["act"] for row in rig.told()}
    rig.start()  # the end of its time on disk was stepped with the clock
    await rig.tick(0.0)
    assert rig.row(MODBUS)["state"] == "HELD"
    await rig.tick(10.0)
    assert rig.row(MODBUS)["state"] == "RELEASED"


async def test_a_clock_that_was_set_back_while_nobody_looked_ends_an_override(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0)
    await rig.tick(1.0)
    rig.manual.step(-86_400.0)
    rig.start()
    await rig.tick(0.0)
    assert rig.row(MODBUS)["state"] == "RELEASED"


async def test_an_orderly_stop_releases_what_is_held_or_keeps_it_where_the_plant_says_so(tmp_path: Path) -> None:
    for at_stop, state in (("release", "RELEASED"), ("keep", "HELD")):
        folder = tmp_path / at_stop
        folder.mkdir()
        rig = Rig(folder, record(), plant_of_two(at_stop=at_stop))
        await rig.write(MODBUS, 45.0)
        await rig.tick(1.0)
        await rig.desk.stop()
        assert rig.row(MODBUS)["state"] == state
        assert (folder / "audit-anchor").is_dir()


async def test_after_a_start_nothing_is_allowed_where_something_overdue_cannot_be_read(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0)
    await rig.tick(1.0)
    rig.pass_s(8_000.0)
    equipment(rig).silent.add("PANEL")
    rig.start()
    await refused("recovering", rig.arm("chw-supply"))
    await rig.tick(0.0)
    await rig.arm("chw-supply", OTHER)
    await refused("recovering", rig.arm("CH-1"))
    assert MOVES[rig.desk.numbers()[MODBUS]] == "NOT RELEASED"
    equipment(rig).silent.clear()
    await rig.tick(60.0)
    await rig.arm("CH-1")


async def test_limits_of_step_and_number_outlive_a_restart(rig: Rig) -> None:
    await rig.write(MODBUS, 46.0)
    await rig.tick(1.0)
    await rig.desk.act("release_all", LEAD, {})
    assert rig.row(MODBUS)["state"] == "RELEASED"
    rig.start()
    await rig.tick(0.0)
    assert [step for _, step in rig.desk.keeper.history(MODBUS)] == [2.0]
    rig.pass_s(3_601.0)
    rig.start()
    assert rig.desk.keeper.rows() == []


async def test_a_damaged_memory_is_kept_aside_and_said(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0)
    await rig.tick(1.0)
    path = rig.folder / "commands.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"junk\n" + lines[-1] + b'0000 {"torn')
    rig.start()
    assert [row["value"] for row in rig.desk.keeper.rows()] == [45.0]
    assert "memory damaged" in {row["act"] for row in rig.told()}
    assert list(rig.folder.glob("commands.jsonl.damaged-*"))


async def test_an_effect_that_does_not_come_is_said_once(rig: Rig) -> None:
    with_permit(rig, MODBUS, effect=BACNET, effect_within_s=60.0)
    await rig.write(MODBUS, 46.0)
    await rig.tick(1.0, 30.0)
    assert rig.row(MODBUS)["effect"] == ""
    await rig.tick(31.0, 10.0)
    assert rig.row(MODBUS)["effect"] == f"no response of {BACNET} in 60 s"
    assert sum(row["act"] == "effect" for row in rig.told()) == 1
    rig.quiet = {**rig.quiet, BACNET: 45.2}
    await rig.write(MODBUS, 45.5)
    await rig.tick(1.0)
    assert rig.row(MODBUS)["effect"] == f"{BACNET} follows"


async def test_a_memory_that_cannot_be_written_stops_commands_and_says_so(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    await rig.arm("CH-1")
    order = await rig.stage(MODBUS, 45.0)
    rig.pass_s(1.5)
    with monkeypatch.context() as patch:
        patch.setattr("plantview.commands.ledger.append_synced", full)
        await refused("audit", rig.commit(order))
        assert "No space left" in rig.desk.state()["trouble"]
    assert equipment(rig).packets == []
    assert rig.desk.keeper.rows() == []


# --- work notices -----------------------------------------------------------------------------------------------
async def test_a_work_notice_outlives_a_restart_and_is_removed_by_its_owner_a_lead_or_an_administrator(
    rig: Rig,
) -> None:
    body = {"equipment": "CH-1", "text": "tube cleaning", "phone": "17"}
    await refused("role", rig.desk.act("notice", OPERATOR, body))
    await refused("text", rig.desk.act("notice", OTHER, {**body, "text": " "}))
    await refused("text", rig.desk.act("notice", OTHER, {**body, "text": "x" * 301}))
    await refused("equipment", rig.desk.act("notice", OTHER, {**body, "equipment": "CH-9"}))
    await rig.arm("CH-1")
    await rig.desk.act("notice", OTHER, body)
    assert rig.desk.state()["arms"] == []
    await refused("notice", rig.desk.act("notice", TECH, body))
    rig.start()
    await rig.tick(0.0)
    await rig.arm("CH-1")
    await refused("work_notice", rig.stage(MODBUS, 45.0))
    for person in (TECH, OPERATOR):
        await refused("notice", rig.desk.act("notice_remove", person, {"equipment": "CH-1", "reason": "done"}))
    await refused("reason", rig.desk.act("notice_remove", LEAD, {"equipment": "CH-1"}))
    said = await rig.desk.act("notice_remove", ADMIN, {"equipment": "CH-1", "reason": "left the site, spoke to him"})
    assert "clear of the machine" in said["warning"]
    rig.start()
    assert rig.desk.state()["notices"] == []
    await refused("notice", rig.desk.act("notice_remove", LEAD, {"equipment": "CH-1", "reason": "x"}))


def test_a_notice_covers_what_a_machine_is_part_of_and_its_parts(larkfield: Plant, tmp_path: Path) -> None:
    from plantview.clock import ManualClock
    from plantview.commands.notices import Notices

    notices = Notices(larkfield, ManualClock(), {}, lambda _row: None)
    notices.put("CT-1", TECH, "fill cleaning", "")
    assert {name for name in ("CT-1", "CT-1-FAN", "CT-2", "CH-1") if notices.over(name)} == {"CT-1", "CT-1-FAN"}
    notices.remove("CT-1", TECH, "")
    notices.put("CT-1-FAN", TECH, "belt", "")
    assert {name for name in ("CT-1", "CT-1-FAN", "CT-2-FAN") if notices.over(name)} == {"CT-1", "CT-1-FAN"}


# --- never ---------------------------------------------------------------------------------------------------------
def test_what_is_measured_what_is_everybody_and_forbidden_priorities_are_never_written(larkfield: Plant) -> None:
    plant = plant_of_two()
    setpoint, device = plant.points[BACNET], plant.devices["BC-1"]
    check_target(setpoint, device, 45.0, 8)
    for changed, at, priority, rule in (
        (replace(setpoint, commandable=False), device, 8, "never"),
        (setpoint, replace(device, host="255.255.255.255"), 8, "broadcast"),
        (setpoint, replace(device, host="239.1.1.1"), 8, "broadcast"),
        (setpoint, device, 7, "priority"), (setpoint, device, 17, "priority"), (setpoint, device, True, "priority"),
        (plant.points[MODBUS], replace(plant.devices["PANEL"], unit=0), None, "broadcast"),
    ):  # fmt: skip
        with pytest.raises(CommandRefused) as found:
            check_target(changed, at, 45.0, priority)
        assert found.value.rule == rule
    with pytest.raises(CommandRefused, match="fit"):
        check_target(plant.points[MODBUS], plant.devices["PANEL"], 1e9)


async def test_an_act_that_does_not_exist_is_refused_and_written_down(rig: Rig) -> None:
    for name in ("write", "", "__init__", "../arm", "x" * 500):
        await refused("unknown", rig.desk.act(name, LEAD, {}))
    assert len(rig.rules()) == 5


# --- verdict and memory ------------------------------------------------------------------------------------------------
def override(**changes: Any) -> Override:
    base = Override(
        1, BACNET, "chw-supply", "BC-1", "a", 8, 45.1, None, None, {"name": "jd"}, REASON, 0, 10, 7_200.0,
    )  # fmt: skip
    for name, value in changes.items():
        setattr(base, name, value)
    return base


def test_a_value_is_the_same_when_its_24_bits_are() -> None:
    assert verdict.same(45.1, 45.099998474121094)
    assert not verdict.same(45.1, 45.10001)
    assert verdict.same(None, None)
    assert not verdict.same(None, 0.0)
    assert not verdict.same(1e300, 2.0)


@pytest.mark.parametrize(
    ("look", "result", "detail"),
    [
        (Look(45.1, slots=(*[None] * 7, 45.1, *[None] * 8)), Result.VERIFIED, ""),
        (Look(40.0, slots=(None, 40.0, *[None] * 5, 45.1, *[None] * 8)), Result.ACCEPTED_NOT_EFFECTIVE, "priority 2 wins"),
        (Look(0.0, slots=(*[None] * 5, 0.0, None, 45.1, *[None] * 8), minimum_off_s=600.0), Result.PENDING_MIN_ONOFF,
         "a minimum time of the device runs for at most 600 s"),
        (Look(0.0, slots=(*[None] * 5, 0.0, None, 45.1, *[None] * 8), minimum_on_s=60.0, minimum_left_s=12.0),
         Result.PENDING_MIN_ONOFF, "a minimum time of the device runs for another 12 s"),
        (Look(0.0, slots=(*[None] * 5, 0.0, None, 45.1, *[None] * 8)), Result.ACCEPTED_NOT_EFFECTIVE, "priority 6 wins"),
        (Look(44.0, slots=(*[None] * 7, 45.1, *[None] * 8)), Result.MISMATCH, "the device shows 44 (no higher priority wins)"),
        (Look(None, slots=(*[None] * 7, 45.1, *[None] * 8), overridden=True), Result.MISMATCH, "the device shows nothing (in hand)"),
        (Look(44.0, slots=(*[None] * 7, 45.1, *[None] * 8), out_of_service=True), Result.MISMATCH,
         "the device shows 44 (out of service)"),
    ],
)  # fmt: skip
def test_what_a_device_shows_is_named(look: Look, result: Result, detail: str) -> None:
    assert verdict.judged(override(), look) == verdict.Seen(result, detail)


def test_an_override_comes_back_from_disk_as_it_was() -> None:
    one = override(
        written_ms=(1, 2), steps=(0.5, 1.0), prior=44.0, restore=43.0, detail="x", hold_to_run="s", release_asked="mk"
    )
    again = override_of(one.row())
    assert {name: getattr(again, name) for name in KEPT} == {name: getattr(one, name) for name in KEPT}
    with pytest.raises(KeyError):
        override_of({"id": 1})


def test_the_signal_of_alarms_says_what_the_keeper_means() -> None:
    assert dict(STATES) == MOVES


def test_a_permit_of_the_rig_is_what_the_tests_say() -> None:
    assert permit(BACNET).most_step == 2.0
