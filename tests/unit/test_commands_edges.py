"""Edges of the rules of commands: what lies just inside, just outside, and beside them."""

from __future__ import annotations

import asyncio
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import orjson
import pytest

from plantview.audit import verify
from plantview.clock import ManualClock
from plantview.commands import conditions, ledger, notices, staging, values, verdict
from plantview.commands.keeper import MOVES
from plantview.commands.override import Override, Result
from plantview.commands.table import Event, State
from plantview.commands.targets import Wire, check_target, raw_text
from plantview.drivers.look import Look
from plantview.errors import CommandRefused, DeviceRefused
from plantview.model.person import Person, Role
from plantview.model.plant import Equipment, Plant
from plantview.model.point import ModbusAddress, Point
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading, good
from plantview.model.signal import signal_of
from plantview.units import unit
from tests.faults.command_crash import Crash
from tests.unit.command_rig import (
    BACNET,
    LEAD,
    MODBUS,
    OPERATOR,
    OTHER,
    REASON,
    START,
    TECH,
    Rig,
    permit,
    plant_of_two,
    record,
)
from tests.unit.test_commands import equipment, override, refused, with_permit

FULL = OSError(28, "No space left on device")


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path, record())


def slots(**held: float) -> tuple[float | None, ...]:
    return tuple(held.get(f"at{number}") for number in range(1, 17))


async def held(rig: Rig, point: str, value: float, **more: Any) -> Override:
    """Write, prove, and return the override."""
    await rig.write(point, value, LEAD, **more)
    await rig.tick(1.0)
    found = rig.desk.keeper.on(point)
    assert found is not None
    return found


def fail(*_: object) -> None:
    raise FULL


# --- whose value stands there ---------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("changes", "look", "event"),
    [
        ({}, Look(45.1, slots=slots(at8=45.1)), Event.FOUND_OURS),
        ({}, Look(44.0, slots=slots()), Event.FOUND_EMPTY),
        ({}, Look(47.0, slots=slots(at8=47.0)), Event.FOUND_FOREIGN),
        ({"prior": 44.0}, Look(44.0, slots=slots(at8=44.0)), Event.FOUND_PRIOR),
        ({"prior": 44.0}, Look(47.0, slots=slots(at8=47.0)), Event.FOUND_FOREIGN),
        ({"priority": None, "restore": 44.0}, Look(45.1), Event.FOUND_OURS),
        ({"priority": None, "restore": 44.0}, Look(44.0), Event.FOUND_EMPTY),
        ({"priority": None, "restore": 44.0}, Look(47.0), Event.FOUND_FOREIGN),
        ({"priority": None, "restore": 44.0}, Look(None), Event.FOUND_FOREIGN),
        ({"priority": None, "restore": 45.1, "state": State.HELD}, Look(45.1), Event.FOUND_OURS),
        ({"priority": None, "restore": 45.1, "state": State.RELEASING}, Look(45.1), Event.FOUND_EMPTY),
        ({"priority": None, "restore": 44.0, "state": State.RELEASING}, Look(45.1), Event.FOUND_OURS),
    ],
)  # fmt: skip
def test_whose_value_stands_at_a_place(changes: dict[str, Any], look: Look, event: Event) -> None:
    assert verdict.found(override(**changes), look) is event


def test_a_minimum_time_holds_back_only_from_its_own_priority() -> None:
    look = Look(40.0, slots=slots(at5=40.0, at8=45.1), minimum_off_s=60.0)
    assert verdict.judged(override(), look) == verdict.Seen(Result.ACCEPTED_NOT_EFFECTIVE, "priority 5 wins")
    assert verdict.judged(override(), Look(45.1, slots=slots(at8=45.1, at9=1.0))).result is Result.VERIFIED


# --- conditions -------------------------------------------------------------------------------------------------
def at(plant: Plant, name: str, measurement: str, like: str = "CWP-1.command", **changes: Any) -> Point:
    return replace(plant.points[like], name=f"{name}.{measurement}", equipment=name, measurement=measurement, **changes)


def test_a_chiller_without_a_flow_proof_is_never_known_to_be_startable(larkfield: Plant) -> None:
    bare = replace(larkfield, points={}, equipment={"CH-1": larkfield.equipment["CH-1"]}, loops={})
    assert conditions.built_in(bare, at(larkfield, "CH-1", "enable"), 1.0, 0.0) == ["CH-1.chw_flow_proof is FLOW"]


def test_a_leak_that_a_switch_tells_forbids_a_start_and_one_in_numbers_is_left_to_the_plants_own_rows(
    larkfield: Plant,
) -> None:
    fault = larkfield.points["CH-1.fault"]
    leak = replace(fault, name="machine-room.leak", measurement="refrigerant_leak", states={0: "NONE", 1: "LEAK"})
    number = replace(fault, name="machine-room.ppm", measurement="refrigerant_leak", states={})
    plant = replace(larkfield, points={**larkfield.points, leak.name: leak, number.name: number})
    rows = conditions.built_in(plant, at(larkfield, "CH-1", "enable"), 1.0, 0.0)
    assert "machine-room.leak is 'NONE'" in rows
    assert not [row for row in rows if "ppm" in row]


def test_a_tower_fan_is_not_stopped_while_the_water_is_as_warm_as_the_chillers_are_made_for(larkfield: Plant) -> None:
    fan = at(larkfield, "CT-1-FAN", "command")
    warm = larkfield.equipment["CH-1"].design["cws_temp"]
    assert conditions.built_in(larkfield, fan, 0.0, 1.0) == [
        f"not {name} runs or {name}.cws_temp below {warm:.6g} degC" for name in ("CH-1", "CH-2", "CH-3")
    ]
    assert conditions.built_in(larkfield, fan, 1.0, 0.0) == []
    elsewhere = {name: loop for name, loop in larkfield.loops.items() if loop.water == "chilled"}
    assert conditions.built_in(replace(larkfield, loops=elsewhere), fan, 0.0, 1.0) == [], "of another loop"
    unknown = {name: replace(item, design={}) for name, item in larkfield.equipment.items()}
    assert conditions.built_in(replace(larkfield, equipment=unknown), fan, 0.0, 1.0) == [
        f"not {name} runs" for name in ("CH-1", "CH-2", "CH-3")
    ]


def test_a_pump_is_not_slowed_below_the_least_flow_of_a_chiller_that_runs(larkfield: Plant) -> None:
    """Flow falls as the speed (affinity laws): from 80 % to 40 % there must be twice the least flow."""
    chilled = at(larkfield, "PCHWP-1", "speed_command", states={}, quantity="percent")
    least = larkfield.equipment["CH-1"].design["min_chw_flow"]
    assert (
        conditions.built_in(larkfield, chilled, 40.0, 80.0)[0]
        == f"not CH-1 runs or CH-1.chw_flow above {2 * least:.6g} L/s"
    )
    for value, now in ((80.0, 80.0), (90.0, 80.0), (0.0, 80.0), (40.0, None)):
        assert conditions.built_in(larkfield, chilled, value, now) == []
    condenser = replace(chilled, name="CWP-1.speed_command", equipment="CWP-1")
    least = larkfield.equipment["CH-1"].design.get("min_cw_flow", math.nan)
    rows = conditions.built_in(larkfield, condenser, 40.0, 80.0)
    assert rows == [
        f"not {name} runs or {name}.cw_flow above {2 * least:.6g} L/s"
        for name in ("CH-1", "CH-2", "CH-3")
        if not math.isnan(least)
    ]
    bare = {
        name: replace(item, design={**item.design, "min_cw_flow": 30.0}) if item.kind == "chiller" else item
        for name, item in larkfield.equipment.items()
    }
    rows = conditions.built_in(replace(larkfield, equipment=bare), condenser, 40.0, 80.0)
    assert rows[0] == "not CH-1 runs or CH-1.cw_flow above 60 L/s"


def test_closing_a_valve_in_part_is_closing_and_a_valve_beside_the_stages_may_move(larkfield: Plant) -> None:
    loop = next(loop for loop in larkfield.loops.values() if loop.water == "chilled")
    port = next(port for stage in loop.stages_of("chiller") for port in stage.ports())
    valve = Equipment(port.equipment, "valve", "", "", "", {}, {})
    plant = replace(larkfield, equipment={**larkfield.equipment, port.equipment: valve})
    point = at(larkfield, port.equipment, "command", like="V-TB.command")
    others = ["not CH-2 runs", "not CH-3 runs"]
    for value, now, closes in ((0.0, 50.0, True), (40.0, 50.0, True), (50.0, 50.0, False), (60.0, 50.0, False), (60.0, None, True)):  # fmt: skip
        rows = conditions.built_in(plant, point, value, now)
        assert [row for row in rows if any(row.startswith(other) for other in others)] == (rows if closes else [])
        assert bool(rows) is closes
    assert conditions.built_in(larkfield, larkfield.points["V-TB.command"], 0.0, 50.0) == []


def test_a_condition_shows_the_readings_that_decide_it_and_says_what_is_missing() -> None:
    plant = plant_of_two()
    signals = {name: signal_of(point) for name, point in plant.points.items()}
    frame = Frame(1, 0, {"CH-1.chw_flow_proof": Reading(None, Quality.BAD, "no answer", 0), MODBUS: good(44.0, 0)})
    found = conditions.judge(["CH-1.chw_flow_proof is FLOW", f"{MODBUS} below 45 degF"], plant, signals, frame, 0.0)
    assert [(one.holds, one.readings) for one in found] == [
        (None, (("CH-1.chw_flow_proof", None, "no answer"),)), (True, ((MODBUS, 44.0, ""),)),
    ]  # fmt: skip


# --- values --------------------------------------------------------------------------------------------------------
def ordered(value: float, recent: list[tuple[float, float]], **look: Any) -> values.Ordered:
    plant = plant_of_two()
    shown = Look(44.0, **{"slots": slots(), "units": "degrees-fahrenheit", **look})
    return values.Ordered(permit(BACNET, most_step=9.0), plant.points[BACNET], shown, 44.0, value, recent)


def rule_of(order: values.Ordered) -> str:
    try:
        values.check(order)
    except CommandRefused as refusal:
        return refusal.rule
    return ""


def test_what_is_ten_minutes_old_counts_for_the_rate_no_more() -> None:
    assert rule_of(ordered(45.0, [(599.9, 3.5)])) == "rate"
    assert rule_of(ordered(45.0, [(600.0, 3.5)])) == ""
    assert rule_of(ordered(45.0, [(599.9, 3.0)])) == ""


def test_what_is_an_hour_old_counts_no_more() -> None:
    assert rule_of(ordered(45.0, [(3_599.9, 0.0)] * 6)) == "too_often"
    assert rule_of(ordered(45.0, [(3_600.0, 0.0)] * 6)) == ""


def test_a_step_and_a_sum_may_be_as_large_as_they_are_allowed_and_what_a_sum_of_floats_is_off() -> None:
    wide = permit(BACNET, low=-100.0, high=100.0, most_step=9.0, most_change=9.0)
    order = replace(ordered(0.0, []), permit=wide, now=0.0)
    rows: tuple[tuple[dict[str, Any], float, str], ...] = (
        ({}, 9.0 + values.SLACK, ""), ({}, 9.0 + 2 * values.SLACK, "step"),
        ({"most_step": 50.0}, 9.0 + values.SLACK, ""), ({"most_step": 50.0}, 9.0 + 2 * values.SLACK, "rate"),
    )  # fmt: skip
    for change, value, rule in rows:
        assert rule_of(replace(order, permit=replace(wide, **change), value=value)) == rule


@pytest.mark.parametrize(
    ("quantity", "ours", "word", "rule"),
    [
        ("temperature", "degF", "degrees-fahrenheit", ""), ("temperature", "degF", "degrees-celsius", "unit"),
        ("temperature", "degF", "kilowatts", "unit"), ("temperature", "degF", "no-units", ""), ("temperature", "degF", "", ""),
        ("temperature", "degF", "furlongs", "unit"), ("pressure_gauge", "psig", "pounds-force-per-square-inch", ""),
        ("pressure_gauge", "psig", "kilopascals", "unit"), ("pressure_absolute", "kPaa", "kilopascals", ""), ("pressure_difference", "psi", "pounds-force-per-square-inch", ""),
        ("percent", "%", "percent", ""), ("percent", "%", "percent-relative-humidity", ""),
    ],
)  # fmt: skip
def test_a_device_that_speaks_another_unit_is_not_written(quantity: str, ours: str, word: str, rule: str) -> None:
    order = ordered(45.0, [], units=word)
    point = replace(order.point, quantity=quantity, unit=unit(ours, quantity))
    assert rule_of(replace(order, point=point)) == rule


def test_states_and_registers_have_no_unit_to_be_compared() -> None:
    order = ordered(45.0, [], units="kilowatts")
    assert rule_of(replace(order, point=replace(order.point, states={44: "A", 45: "B"}))) == ""
    assert rule_of(replace(order, point=plant_of_two().points[MODBUS])) == ""


# --- arming and staging --------------------------------------------------------------------------------------------
async def test_whoever_has_a_machine_armed_may_arm_it_anew(rig: Rig) -> None:
    for number in range(3):
        rig.desk.arms.arm(f"X-{number}", TECH, REASON, 900.0, confirmed=True)
    await rig.arm("CH-1")
    rig.pass_s(20.0)
    state = await rig.arm("CH-1")
    assert [row["left_s"] for row in state["arms"] if row["equipment"] == "CH-1"] == [900]


async def test_the_same_person_in_another_browser_has_not_armed_it(rig: Rig) -> None:
    await rig.arm("CH-1")
    elsewhere = replace(TECH, session="another browser")
    await refused("armed_by", rig.arm("CH-1", elsewhere))
    await refused("armed_by", rig.stage(MODBUS, 45.0, elsewhere))
    await refused("armed_by", rig.desk.act("disarm", elsewhere, {"equipment": "CH-1"}))


async def test_priorities_from_8_to_15_are_for_a_lead_and_16_for_nobody_unless_it_is_the_points_own(rig: Rig) -> None:
    await rig.arm("chw-supply", LEAD)
    for priority in (7, 16, 17, 8.0, "8", True):
        await refused("priority", rig.stage(BACNET, 45.0, LEAD, priority=priority))
    for priority in (8, 9, 15):
        assert (await rig.stage(BACNET, 45.0, LEAD, priority=priority))["priority"] == priority
    with_permit(rig, BACNET, priority=16)
    for wanted in (None, 16):
        assert (await rig.stage(BACNET, 45.0, LEAD, priority=wanted))["priority"] == 16
    await rig.arm("CH-1", TECH)
    await refused("priority", rig.stage(MODBUS, 45.0, priority=8))


async def test_what_we_hold_is_changed_at_its_own_priority_only(rig: Rig) -> None:
    await held(rig, BACNET, 45.0)
    await refused("held", rig.stage(BACNET, 45.5, LEAD, priority=9))
    shown = await rig.stage(BACNET, 45.5, LEAD)
    assert [(row["priority"], row["ours"]) for row in shown["slots"]] == [(8, True)]
    assert shown["restore"] is None
    equipment(rig).slots[BACNET][7] = 45.2
    await refused("held", rig.stage(BACNET, 45.5, LEAD))


async def test_a_higher_priority_is_warned_of_and_our_own_is_not(rig: Rig) -> None:
    await held(rig, BACNET, 45.0)
    assert (await rig.stage(BACNET, 45.5, LEAD))["warnings"] == []
    equipment(rig).slots[BACNET][8] = 46.0
    assert (await rig.stage(BACNET, 45.5, LEAD))["warnings"] == []
    equipment(rig).slots[BACNET][6] = 46.0
    warned = (await rig.stage(BACNET, 45.5, LEAD))["warnings"]
    assert warned == ["Priority 7 wins: this command will have no effect while it stands."]


async def test_what_is_staged_for_a_machine_goes_with_its_arm_and_for_no_other(rig: Rig) -> None:
    await rig.arm("CH-1")
    await rig.arm("chw-supply")
    dropped, kept = await rig.stage(MODBUS, 45.0), await rig.stage(BACNET, 45.0)
    await rig.desk.act("disarm", TECH, {"equipment": "CH-1"})
    await rig.arm("CH-1")
    rig.pass_s(1.5)
    await refused("token", rig.commit(dropped))
    await rig.commit(kept)


async def test_the_minute_of_what_is_staged_is_counted_from_its_staging(rig: Rig) -> None:
    rig.pass_s(1_000.0)
    with_permit(rig, MODBUS, two_people=True)
    await rig.arm("CH-1")
    first = await rig.stage(MODBUS, 45.0)
    await rig.stage(MODBUS, 45.0)
    assert len(rig.desk.state()["waiting"]) == 2
    for _ in range(18):
        await rig.stage(MODBUS, 45.0)
    await refused("too_often", rig.stage(MODBUS, 45.0))
    rig.pass_s(1.5)
    await refused("token", rig.commit(first))


async def test_what_is_written_back_is_what_stood_before_us_not_our_own_value(rig: Rig) -> None:
    await rig.arm("CH-1", LEAD)
    assert (await rig.stage(MODBUS, 45.0, LEAD))["restore"] == 44.0
    await held(rig, MODBUS, 45.0)
    rig.pass_s(3.0)
    rig.readings[MODBUS] = Reading(45.0, Quality.GOOD, "", rig.clock.now_ms() - 4_000)
    shown = await rig.stage(MODBUS, 46.0, LEAD)
    assert (shown["restore"], shown["age_s"], shown["commanded"], shown["step"]) == (44.0, 4.0, 1, 1.0)


async def test_a_name_is_typed_for_what_is_critical_or_has_no_slot(rig: Rig) -> None:
    await rig.arm("chw-supply")
    order = await rig.stage(BACNET, 45.0)
    assert order["typed"] is False
    with_permit(rig, BACNET, critical=True)
    order = await rig.stage(BACNET, 45.0)
    assert order["typed"] is True
    rig.pass_s(1.5)
    await refused("typed", rig.commit(order, typed="chw-suply"))
    order = await rig.stage(BACNET, 45.0)
    rig.pass_s(1.5)
    await rig.commit(order, typed=" chw-supply ")


async def test_a_start_has_no_step_and_says_so(rig: Rig) -> None:
    await rig.arm("CWP-1")
    shown = await rig.stage(START, 1)
    assert (shown["most_step"], shown["most_change"]) == (None, None)


async def test_what_is_staged_is_bounded_by_number_and_by_the_minute(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(staging, "STAGED_MAX", 2)
    await rig.arm("CH-1")
    await rig.arm("chw-supply", OTHER)
    await rig.arm("CWP-1", LEAD)
    first = await rig.stage(MODBUS, 45.0)
    await rig.stage(BACNET, 45.0, OTHER)
    await refused("too_many", rig.stage(START, 1, LEAD))
    rig.pass_s(60.0)
    for person, name in ((TECH, "CH-1"), (OTHER, "chw-supply"), (LEAD, "CWP-1")):
        await rig.arm(name, person)
    await refused("too_many", rig.stage(START, 1, LEAD))
    await rig.commit(first)
    await rig.stage(START, 1, LEAD)


async def test_a_session_stages_again_once_a_minute_is_over(rig: Rig) -> None:
    await rig.arm("CH-1")
    for _ in range(20):
        await rig.stage(MODBUS, 45.0)
    rig.pass_s(59.9)
    await rig.arm("CH-1")
    await refused("too_often", rig.stage(MODBUS, 45.0))
    rig.pass_s(0.1)
    await rig.stage(MODBUS, 45.0)


async def test_a_lead_orders_as_long_as_the_point_allows_everybody_without_a_warning(rig: Rig) -> None:
    await rig.arm("chw-supply", LEAD)
    assert (await rig.stage(BACNET, 45.0, LEAD, seconds=7_200))["warnings"] == []
    await rig.arm("CH-1", TECH)
    assert (await rig.stage(MODBUS, 45.0, TECH, seconds=7_200))["seconds"] == 7_200.0


async def test_what_ended_is_not_released_again(rig: Rig) -> None:
    one = await held(rig, MODBUS, 45.0)
    await rig.desk.act("release", LEAD, {"id": one.id})
    for act in ("release", "release_look", "dismiss"):
        await refused("unknown", rig.desk.act(act, LEAD, {"id": one.id}))


# --- commit ---------------------------------------------------------------------------------------------------------
async def test_a_commit_says_why_until_when_and_how_it_stands(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0)
    row = rig.row(MODBUS)
    assert (row["reason"], row["left_s"], row["until_ms"] - row["began_ms"]) == (REASON, 7_200, 7_200_000)
    assert MOVES[rig.desk.numbers()[MODBUS]] == "HELD"
    await rig.tick(1.0)
    assert (rig.row(MODBUS)["result"], rig.row(MODBUS)["detail"]) == ("VERIFIED", "")
    await rig.tick(*[60.0] * 5)
    assert [row["act"] for row in rig.told()].count("read") == 1, "what has not changed is not told again"


async def test_the_function_of_a_permit_is_used_to_write_and_to_write_back(rig: Rig) -> None:
    with_permit(rig, MODBUS, function=16)
    await held(rig, MODBUS, 45.0)
    await rig.desk.act("release_all", LEAD, {})
    assert equipment(rig).functions == [16, 16]


async def test_what_was_taken_off_the_list_meanwhile_is_released_all_the_same(rig: Rig) -> None:
    with_permit(rig, MODBUS, effect=BACNET, effect_within_s=60.0, function=16)
    await held(rig, MODBUS, 46.0)
    permits = {name: one for name, one in rig.plant.writes.permits.items() if name != MODBUS}
    object.__setattr__(rig.plant, "writes", replace(rig.plant.writes, permits=permits))
    await rig.tick(61.0)
    assert rig.row(MODBUS)["effect"] == ""
    await rig.desk.act("release_all", LEAD, {})
    assert (rig.row(MODBUS)["state"], equipment(rig).functions) == ("RELEASED", [16, 0])


# --- effects ------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("reading", "effect"),
    [
        (Reading(46.0, Quality.GOOD, "", 0), "follows"), (Reading(44.0, Quality.GOOD, "", 0), "follows"),
        (Reading(46.1, Quality.GOOD, "", 0), ""), (Reading(45.0, Quality.STALE, "old", 0), ""),
        (Reading(None, Quality.BAD, "no answer", 0), ""),
    ],
)  # fmt: skip
async def test_an_effect_has_come_once_a_reading_that_can_be_trusted_is_near(
    rig: Rig, reading: Reading, effect: str
) -> None:
    with_permit(rig, MODBUS, effect=BACNET, effect_within_s=60.0)
    rig.readings[BACNET] = reading
    await held(rig, MODBUS, 45.0)
    assert rig.row(MODBUS)["effect"] == (f"{BACNET} {effect}" if effect else "")
    await rig.tick(58.9)
    assert rig.row(MODBUS)["effect"] == (f"{BACNET} {effect}" if effect else "")
    await rig.tick(0.1)
    assert rig.row(MODBUS)["effect"] == (f"{BACNET} {effect}" if effect else f"no response of {BACNET} in 60 s")


@pytest.mark.parametrize(("shown", "effect"), [(1.0, "follows"), (2.0, "follows"), (0.0, "")])
async def test_the_effect_of_a_start_is_any_state_but_off(rig: Rig, shown: float, effect: str) -> None:
    with_permit(rig, START, effect="CH-1.chw_flow_proof", effect_within_s=60.0)
    rig.readings["CH-1.chw_flow_proof"] = Reading(shown, Quality.GOOD, "", 0)
    await held(rig, START, 1)
    assert rig.row(START)["effect"] == (f"CH-1.chw_flow_proof {effect}" if effect else "")


async def test_an_effect_of_another_quantity_or_that_nobody_knows_never_comes(rig: Rig) -> None:
    with_permit(rig, MODBUS, effect="CH-1.chw_flow_proof", effect_within_s=60.0, tolerance=100.0)
    with_permit(rig, BACNET, effect="CH-9.status", effect_within_s=60.0)
    await held(rig, MODBUS, 45.0)
    await held(rig, BACNET, 45.0)
    await rig.tick(61.0)
    assert rig.row(MODBUS)["effect"] == "no response of CH-1.chw_flow_proof in 60 s"
    assert rig.row(BACNET)["effect"] == ""


async def test_an_effect_is_not_looked_for_before_the_value_is_known_to_stand(rig: Rig) -> None:
    with_permit(rig, MODBUS, effect=BACNET, effect_within_s=60.0)
    rig.readings[BACNET] = Reading(45.0, Quality.GOOD, "", 0)
    await rig.write(MODBUS, 45.0)
    await rig.tick(0.5)
    assert (rig.row(MODBUS)["state"], rig.row(MODBUS)["effect"]) == ("VERIFYING", "")


# --- the end of an override -------------------------------------------------------------------------------------------
async def test_an_override_ends_with_its_last_second_and_not_before(rig: Rig) -> None:
    one = await held(rig, MODBUS, 45.0)
    await rig.tick(7_198.9)
    assert rig.row(MODBUS)["state"] == "HELD"
    await rig.tick(0.1)
    assert rig.row(MODBUS)["state"] == "RELEASED"
    assert (one.detail, rig.row(MODBUS)["left_s"]) == ("", 0)
    assert [row["reason"] for row in rig.told() if row["act"] == "release"] == [f"for mk: {REASON}"]


async def test_a_look_before_a_release_says_whether_there_is_a_slot(rig: Rig) -> None:
    found = []
    for point in (BACNET, MODBUS):
        one = await held(rig, point, 45.0)
        seen = await rig.desk.act("release_look", OTHER, {"id": one.id})
        found.append((seen["sticky"], seen["now"], seen["takes_over"], seen["work_notice"]))
    assert found == [(False, 45.0, 44.0, None), (True, 45.0, 44.0, None)]


async def test_a_release_that_was_asked_for_names_who_asked(rig: Rig) -> None:
    one = await held(rig, MODBUS, 45.0)
    await rig.desk.act("release", OTHER, {"id": one.id})
    assert [row["reason"] for row in rig.told() if row["act"] == "release"] == ["asked by ab"]


async def test_looks_and_releases_keep_their_pauses_to_the_second(rig: Rig) -> None:
    """By hand from the pauses 2, 5, 10 s: a failed release waits for the next look, and for the next attempt."""
    await held(rig, BACNET, 45.0)
    rig.pass_s(7_199.0)
    equipment(rig).fails = [DeviceRefused("BC-1", "write-access-denied", code="write-access-denied")] * 3
    looked, left = [], 3
    tried = []
    for second in range(20):
        before = equipment(rig).looks
        await rig.desk.tick()
        looked += [second] * (equipment(rig).looks - before)
        tried += [second] * (left - len(equipment(rig).fails))
        left = len(equipment(rig).fails)
        rig.pass_s(1.0)
    assert tried == [0, 2, 7]
    assert looked == [0, 2, 4, 7, 9, 17, 17]
    assert rig.row(BACNET)["state"] == "RELEASED"


async def test_a_silent_device_is_asked_after_growing_pauses_and_the_wait_is_told_once(rig: Rig) -> None:
    """By hand: 2, 5, 10, 20, 30, 60, 60 s after one another."""
    await held(rig, BACNET, 45.0)
    equipment(rig).silent.add("BC-1")
    rig.pass_s(7_199.0)
    asked = []
    for second in range(200):
        before = equipment(rig).looks
        await rig.desk.tick()
        asked += [second] * (equipment(rig).looks - before)
        rig.pass_s(1.0)
    assert asked == [0, 2, 7, 17, 37, 67, 127, 187]
    assert [row["act"] for row in rig.told()].count("release waits") == 1


async def test_a_device_that_is_silent_before_the_end_is_no_release_that_waits(rig: Rig) -> None:
    await held(rig, BACNET, 45.0)
    equipment(rig).silent.add("BC-1")
    await rig.tick(60.0)
    assert "release waits" not in {row["act"] for row in rig.told()}
    assert MOVES[rig.desk.numbers()[BACNET]] == "HELD"


async def test_a_reading_that_lags_behind_a_release_is_waited_for_and_nothing_is_sent_twice(rig: Rig) -> None:
    await held(rig, BACNET, 45.0)
    equipment(rig).before = lambda border: (
        equipment(rig).extra.update({BACNET: {"slots": slots(at8=45.0)}}) if border.startswith("put done") else None
    )
    await rig.tick(7_199.0)
    assert rig.row(BACNET)["state"] == "RELEASING"
    assert MOVES[rig.desk.numbers()[BACNET]] == "HELD"
    await rig.tick(1.0)
    assert rig.row(BACNET)["state"] == "RELEASING"
    equipment(rig).extra.clear()
    await rig.tick(2.0)
    assert (rig.row(BACNET)["state"], rig.row(BACNET)["detail"]) == ("RELEASED", "")
    assert equipment(rig).writes(BACNET) == [45.0, None]


async def test_a_device_that_falls_silent_with_a_release_is_asked_again_later(rig: Rig) -> None:
    await held(rig, BACNET, 45.0)
    equipment(rig).before = lambda border: equipment(rig).silent.add("BC-1") if border == f"put done {BACNET}" else None
    await rig.tick(7_199.0)
    assert rig.row(BACNET)["state"] == "RELEASING"
    equipment(rig).before = lambda _: None
    equipment(rig).silent.clear()
    await rig.tick(2.0)
    assert rig.row(BACNET)["state"] == "RELEASED"
    assert equipment(rig).writes(BACNET) == [45.0, None]


async def test_another_writer_is_noticed_with_the_first_reading_after_a_command(rig: Rig) -> None:
    await rig.write(BACNET, 45.0)
    equipment(rig).slots[BACNET][7] = 47.0
    await rig.tick(1.0)
    assert rig.row(BACNET)["state"] == "TAKEN"


async def test_a_panel_that_puts_its_own_value_back_is_a_mismatch_not_a_release(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0)
    equipment(rig).sticky[MODBUS] = 44.0
    await rig.tick(1.0)
    assert rig.row(MODBUS)["state"] == "VERIFYING"
    await rig.tick(2.0, 7.0)
    row = rig.row(MODBUS)
    assert (row["state"], row["result"], row["detail"]) == (
        "NOT_WRITTEN", "MISMATCH", "accepted, and nothing was written",
    )  # fmt: skip


async def test_a_change_that_is_proven_is_what_a_later_failure_falls_back_to(rig: Rig) -> None:
    one = await held(rig, MODBUS, 45.0)
    await held(rig, MODBUS, 46.0)
    assert one.prior is None
    equipment(rig).fails = [DeviceRefused("PANEL", "exception 3", code="3")]
    await rig.write(MODBUS, 44.5, LEAD)
    assert (one.value, one.state) == (46.0, State.HELD)


async def test_a_machine_counts_as_waited_for_from_its_end_on_not_from_its_command(rig: Rig) -> None:
    for point, value in ((START, 1.0), (MODBUS, 45.0)):
        await held(rig, point, value)
    await rig.tick(60.0, 60.0)
    equipment(rig).silent.add("PANEL")
    await rig.desk.act("release_all", LEAD, {})
    await rig.tick(10.0)
    assert rig.row(START)["state"] == "HELD"


async def test_a_release_under_a_work_notice_waits_only_where_something_could_move(rig: Rig) -> None:
    await held(rig, MODBUS, 45.0)
    await held(rig, START, 1.0)
    for name in ("CH-1", "CWP-1"):
        await rig.desk.act("notice", OTHER, {"equipment": name, "text": "tube cleaning", "phone": ""})
    await rig.tick(7_200.0, 60.0)
    assert (rig.row(MODBUS)["state"], rig.row(START)["state"]) == ("RELEASED", "RELEASED"), "a setpoint; to OFF"


@pytest.mark.parametrize(
    ("default", "said"), [(30.0, "30 would take over"), (None, "something unknown would take over")]
)
async def test_a_valve_that_would_open_under_a_work_notice_is_held_back_and_that_is_told_once(
    rig: Rig, default: float | None, said: str
) -> None:
    percent = replace(rig.plant.points[START], states={}, quantity="percent", unit=unit("%", "percent"), high=100.0)
    rig.plant.points[START] = percent  # type: ignore[index]
    with_permit(rig, START, high=100.0)
    equipment(rig).default[START] = default  # type: ignore[assignment]
    equipment(rig).extra[START] = {"units": "percent", "value": 20.0}
    rig.readings[START] = Reading(20.0, Quality.GOOD, "", rig.clock.now_ms())
    await rig.write(START, 10.0)
    equipment(rig).extra[START] = {"units": "percent"}
    await rig.tick(1.0)
    await rig.desk.act("notice", OTHER, {"equipment": "CWP-1", "text": "seal", "phone": ""})
    await rig.tick(7_200.0, 60.0, 60.0)
    assert rig.row(START)["held_back"] == f"work notice of ab: {said}"
    assert [row["act"] for row in rig.told()].count("release held back") == 1
    assert equipment(rig).writes(START) == [10.0]


async def test_an_override_is_brought_to_mind_from_the_first_full_day_on_for_an_hour(rig: Rig) -> None:
    one = await held(rig, MODBUS, 45.0)
    now_ms, day_ms, hour_ms = rig.clock.now_ms(), 86_400_000, 3_600_000
    for stood_ms, word in (
        (0, "HELD"), (day_ms - 1, "HELD"), (day_ms, "STANDING"), (day_ms + hour_ms - 1, "STANDING"), (day_ms + hour_ms, "HELD"),
        (2 * day_ms, "STANDING"),
    ):  # fmt: skip
        one.began_ms = now_ms - stood_ms
        assert MOVES[rig.desk.numbers()[MODBUS]] == word


# --- starts, stops, clocks -----------------------------------------------------------------------------------------------
async def test_a_start_before_the_end_goes_on_to_the_same_end_and_lets_people_work(rig: Rig) -> None:
    await held(rig, MODBUS, 45.0)
    rig.start()
    await rig.tick(0.0)
    assert rig.row(MODBUS)["state"] == "HELD"
    await rig.arm("CH-1")
    rig.pass_s(7_198.9)
    await rig.desk.tick()
    assert rig.row(MODBUS)["state"] == "HELD"
    await rig.tick(0.1)
    assert rig.row(MODBUS)["state"] == "RELEASED"


@pytest.mark.parametrize(("late_s", "told"), [(0.0, "overdue 0 h 00"), (-1.0, "1 s left"), (3_660.0, "overdue 1 h 01")])
async def test_a_start_says_how_late_it_comes(rig: Rig, late_s: float, told: str) -> None:
    await held(rig, MODBUS, 45.0)
    rig.pass_s(7_199.0 + late_s)
    rig.start()
    assert [row["expiry"] for row in rig.told() if row["act"] == "taken up after a start"] == [told]


@pytest.mark.parametrize(("back_s", "state"), [(3.0, "HELD"), (3.001, "RELEASED")])
async def test_a_clock_two_seconds_behind_the_command_is_no_clock_that_was_set_back(
    rig: Rig, back_s: float, state: str
) -> None:
    await held(rig, MODBUS, 45.0)  # one second ago
    rig.manual.step(-back_s)
    rig.start()
    await rig.tick(0.0)
    assert rig.row(MODBUS)["state"] == state


async def test_a_release_that_was_cut_off_is_watched_for_ten_seconds_before_another_is_sent(rig: Rig) -> None:
    await held(rig, BACNET, 45.0)

    def crash(border: str) -> None:
        if border.startswith("put"):
            raise Crash

    equipment(rig).before = crash
    with pytest.raises(BaseExceptionGroup):
        await rig.tick(7_199.0)
    equipment(rig).before = lambda _: None
    rig.start()
    await rig.tick(0.0)
    assert rig.row(BACNET)["state"] == "RELEASING"
    await rig.tick(1.0, 2.0)
    assert rig.row(BACNET)["state"] == "RELEASING"
    assert equipment(rig).writes(BACNET) == [45.0]
    await rig.tick(7.0, 2.0, 5.0)
    assert rig.row(BACNET)["state"] == "RELEASED"
    assert equipment(rig).writes(BACNET) == [45.0, None]


async def test_a_hold_to_run_ends_with_its_half_minute_and_with_a_start(rig: Rig) -> None:
    with_permit(rig, START, hold_to_run=True)
    await rig.write(START, 1.0)
    await rig.tick(1.0, 28.9)
    assert rig.row(START)["state"] == "HELD"
    await rig.desk.act("heard", OTHER, {})
    await rig.tick(0.1)
    assert rig.row(START)["state"] == "RELEASED"
    await rig.write(START, 1.0)
    await rig.tick(1.0)
    rig.start()
    await rig.tick(0.0)
    assert rig.row(START)["state"] == "RELEASED"


async def test_an_orderly_stop_goes_from_machines_to_pumps_and_anchors_its_last_line(rig: Rig) -> None:
    for point, value in ((START, 1.0), (MODBUS, 45.0)):
        await held(rig, point, value)
    targets = rig.desk.site.targets
    plain = targets.look

    async def slowly(point: Point) -> Look:
        if point.name == MODBUS:
            await asyncio.sleep(0)  # the pump's device is looked at meanwhile, and its turn has not come
        return await plain(point)

    targets.look = slowly  # type: ignore[method-assign]
    await rig.desk.stop()
    assert {rig.row(point)["state"] for point in (START, MODBUS)} == {"RELEASED"}
    anchors = (rig.folder / "audit-anchor" / "audit-anchor.jsonl").read_bytes().splitlines()
    assert orjson.loads(anchors[-1])["seq"] == rig.audit.seq
    assert verify(rig.folder, rig.folder / "audit-anchor").holds


async def test_a_stepped_clock_makes_no_command_older_or_younger(rig: Rig) -> None:
    await held(rig, MODBUS, 45.0)
    rig.manual.step(-7_200.0)
    await rig.tick(1.0)
    assert [step for _, step in rig.desk.keeper.history(MODBUS)] == [1.0]
    age_s, _ = rig.desk.staging._recent(MODBUS)[0]
    assert age_s == pytest.approx(2.0)
    await rig.desk.act("release_all", LEAD, {})
    rig.manual.step(90_000.0)
    await rig.tick(0.0)
    assert rig.row(MODBUS)["state"] == "RELEASED", "what ended a moment ago is still shown"


async def test_a_clock_steps_from_two_seconds_on(rig: Rig) -> None:
    rig.manual.step(1.0)
    await rig.tick(1.0)
    assert "clock step" not in {row["act"] for row in rig.told()}
    rig.manual.step(1.0)
    await rig.tick(1.0)
    assert [row["after"] for row in rig.told() if row["act"] == "clock step"] == ["+2 s"]


async def test_a_clock_that_runs_as_it_should_is_not_told_to_step(rig: Rig) -> None:
    await held(rig, MODBUS, 45.0)
    await rig.tick(*[60.0] * 5)
    assert "clock step" not in {row["act"] for row in rig.told()}


# --- memory ------------------------------------------------------------------------------------------------------------------
async def test_an_hour_after_its_end_an_override_is_forgotten_and_so_are_its_steps(rig: Rig) -> None:
    await held(rig, MODBUS, 45.0)
    rig.pass_s(-1.0 + 3_599.999)
    assert len(rig.desk.keeper.history(MODBUS)) == 1
    rig.pass_s(0.001)
    assert rig.desk.keeper.history(MODBUS) == []
    await rig.desk.act("release_all", LEAD, {})
    rig.pass_s(3_599.999)
    await rig.desk.tick()
    assert len(rig.desk.keeper.rows()) == 1
    rig.pass_s(0.001)
    rig.start()
    assert rig.desk.keeper.rows() == []


async def test_what_a_device_refused_is_shown_for_an_hour_too(rig: Rig) -> None:
    equipment(rig).fails = [DeviceRefused("PANEL", "exception 3", code="3")]
    await rig.write(MODBUS, 45.0)
    await rig.tick(3_599.9)
    assert [row["state"] for row in rig.desk.keeper.rows()] == ["REFUSED"]
    await rig.tick(0.1)
    assert rig.desk.keeper.rows() == []


async def test_what_was_refused_or_left_to_another_writer_stays_so_after_a_start(rig: Rig) -> None:
    one = await held(rig, BACNET, 45.0)
    equipment(rig).slots[BACNET][7] = 47.0
    await rig.tick(60.0)
    await rig.desk.act("dismiss", LEAD, {"id": one.id})
    equipment(rig).fails = [DeviceRefused("PANEL", "exception 3", code="3")]
    await rig.write(MODBUS, 45.0)
    rig.start()
    assert [row["state"] for row in rig.desk.keeper.rows()] == ["DISMISSED", "REFUSED"]


async def test_an_end_that_the_disk_did_not_take_is_written_with_the_next_pulse(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = await held(rig, BACNET, 45.0)
    equipment(rig).slots[BACNET][7] = 47.0
    await rig.tick(60.0)
    with monkeypatch.context() as patch:
        patch.setattr(ledger, "append_synced", fail)
        await rig.desk.act("dismiss", LEAD, {"id": one.id})
    await rig.tick(1.0)
    rig.start()
    assert [row["state"] for row in rig.desk.keeper.rows()] == ["DISMISSED"]


async def test_watching_what_does_not_change_writes_no_line(rig: Rig) -> None:
    await held(rig, MODBUS, 45.0)
    lines = rig.ledger._lines
    await rig.tick(*[60.0] * 10)
    assert rig.ledger._lines == lines


async def test_what_could_not_be_remembered_is_remembered_as_soon_as_the_disk_takes_it(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    await rig.write(MODBUS, 45.0)
    with monkeypatch.context() as patch:
        patch.setattr(ledger, "append_synced", fail)
        await rig.tick(1.0)
        assert rig.desk.state()["trouble"] == "the memory of commands cannot be written: No space left on device"
        await rig.tick(7_199.0)
        assert MOVES[rig.desk.numbers()[MODBUS]] == "NOT RELEASED"
        assert equipment(rig).writes(MODBUS) == [45.0], "no release without a line"
    await rig.tick(60.0)
    assert rig.desk.state()["trouble"] == ""
    assert rig.row(MODBUS)["state"] == "RELEASED"
    rig.start()
    assert [row["state"] for row in rig.desk.keeper.rows()] == ["RELEASED"]


def test_a_torn_line_that_cannot_be_cleared_away_swallows_no_line_after_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = ledger.Ledger(tmp_path / "deep" / "down")
    book.load(0)
    book.note(override(id=7))
    path = tmp_path / "deep" / "down" / ledger.FILE
    path.write_bytes(path.read_bytes() + b"0000torn")
    again = ledger.Ledger(path.parent)
    with monkeypatch.context() as patch:
        patch.setattr(ledger, "replace_synced", fail)
        found, _ = again.load(0)
        assert set(found) == {7}
        assert again.trouble == "the memory of commands cannot be written: No space left on device"
    again.note(override(id=8))
    assert set(ledger.Ledger(path.parent).load(0)[0]) == {7, 8}


def test_a_memory_is_written_anew_once_it_is_longer_than_it_may_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledger, "COMPACT_LINES", 3)
    book = ledger.Ledger(tmp_path)
    book.load(0)
    one = override()
    counted = []
    for _ in range(5):
        book.note(one)
        book.compact({1: one}, {})
        counted.append((tmp_path / ledger.FILE).read_bytes().count(b"\n"))
    assert counted == [1, 2, 3, 1, 2]
    assert book.trouble == ""


# --- work notices --------------------------------------------------------------------------------------------------------------
def board(larkfield: Plant) -> notices.Notices:
    return notices.Notices(larkfield, ManualClock(), {}, lambda _row: None)


def test_a_notice_has_a_phone_of_forty_letters_and_there_are_so_many_of_them(
    larkfield: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = board(larkfield)
    found.put("CH-1", TECH, "x" * 300, "1" * 40)
    for text, phone in (("x", "1" * 41), ("x" * 301, ""), ("", "1")):
        with pytest.raises(CommandRefused) as refusal:
            found.put("CH-2", TECH, text, phone)
        assert refusal.value.rule == "text"
    monkeypatch.setattr(notices, "NOTICES_MAX", 2)
    found.put("CH-2", TECH, "x", "")
    with pytest.raises(CommandRefused) as refusal:
        found.put("CH-3", TECH, "x", "")
    assert refusal.value.rule == "too_many"


@pytest.mark.parametrize(
    ("who", "reason", "rule"),
    [
        (TECH, "", ""), (replace(TECH, role=Role.OPERATOR), "done", "notice"), (replace(TECH, role=Role.LEAD), "", ""),
        (OTHER, "done", "notice"), (LEAD, "", "reason"), (LEAD, " ", "reason"), (LEAD, "left the site", ""),
        (replace(TECH, role=Role.ADMIN), "", "reason"), (OPERATOR, "done", "notice"),
    ],
)  # fmt: skip
def test_who_takes_a_notice_down(larkfield: Plant, who: Person, reason: str, rule: str) -> None:
    found = board(larkfield)
    found.put("CH-1", TECH, "tubes", "")
    if not rule:
        found.remove("CH-1", who, reason)
    else:
        with pytest.raises(CommandRefused) as refusal:
            found.remove("CH-1", who, reason)
        assert refusal.value.rule == rule
    assert len(found.rows()) == bool(rule)


# --- targets ----------------------------------------------------------------------------------------------------------------------
def test_what_belongs_to_the_plant_as_a_whole_is_worked_out_and_never_written() -> None:
    plant = plant_of_two()
    setpoint, device = plant.points[BACNET], plant.devices["BC-1"]
    for name in ("", "PLANT"):
        with pytest.raises(CommandRefused) as refusal:
            check_target(replace(setpoint, equipment=name), device, 45.0, 8)
        assert refusal.value.rule == "never"
    check_target(setpoint, device, 45.0)
    check_target(setpoint, replace(device, host="controller.example"), 45.0, 8)
    for priority in (8, 16):
        check_target(setpoint, device, 45.0, priority)


def test_raw_registers_are_shown_for_registers_only() -> None:
    plant = plant_of_two()
    coil = replace(plant.points[START], address=ModbusAddress("coil", 0, "bit", "", 1.0, 0.0, ()))
    assert [raw_text(point, value) for point, value in (
        (plant.points[MODBUS], 44.5), (plant.points[BACNET], 44.5), (coil, 1.0),
    )] == ["raw 445", "", ""]  # fmt: skip


async def test_a_register_has_no_slots_and_nothing_to_release() -> None:
    plant = plant_of_two()
    wire = Wire(plant, {})
    assert await wire.slots(plant.points[MODBUS]) is None
    with pytest.raises(ValueError, match="no slot"):
        await wire.put(plant.points[MODBUS], None, None)
