"""What waits: a command for a second person, a start for its standstill, an override of days for somebody to think of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from plantview.commands.keeper import MOVES
from plantview.model.quality import Quality
from plantview.model.reading import Reading
from tests.unit.command_rig import BACNET, LEAD, MODBUS, OPERATOR, OTHER, REASON, START, TECH, Rig, record
from tests.unit.test_commands import equipment, refused, with_permit


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path, record())


async def waiting(rig: Rig) -> dict[str, Any]:
    """Stage a command that needs a second person."""
    with_permit(rig, MODBUS, two_people=True)
    await rig.arm("CH-1")
    order = await rig.stage(MODBUS, 45.0)
    rig.pass_s(1.5)
    return order


# --- a second person ----------------------------------------------------------------------------------------
async def test_everybody_sees_what_waits_for_a_second_person_and_nobody_its_token(rig: Rig) -> None:
    await rig.arm("chw-supply", OTHER)
    await rig.stage(BACNET, 45.0, OTHER)
    order = await waiting(rig)
    assert rig.desk.state()["waiting"] == [{
        "number": order["number"], "point": MODBUS, "equipment": "CH-1", "value": 45.0, "person": "jd",
        "approved_by": "", "left_s": 58,
    }]  # fmt: skip
    seen = await rig.desk.act("approve_look", OTHER, {"number": order["number"]})
    assert order["token"] not in str(seen)
    assert order["token"] not in str(rig.desk.state())
    assert (seen["person"], seen["why"]) == ("jd", REASON)
    assert {name: seen[name] for name in order if name != "token"} == {
        name: order[name] for name in order if name != "token"
    }


async def test_a_command_for_two_people_is_sent_once_the_second_agreed(rig: Rig) -> None:
    order = await waiting(rig)
    await refused("two_people", rig.commit(order))
    order = await waiting(rig)
    said = await rig.desk.act("approve", OTHER, {"number": order["number"]})
    assert said["approved_by"] == said["waiting"][0]["approved_by"] == "ab"
    await rig.commit(order)
    assert [row["approved_by"] for row in rig.told() if row["act"] == "commit"] == ["ab"]
    assert [(row["actor"], row["point"], row["requested"]) for row in rig.told() if row["act"] == "approve"] == [
        ("ab", MODBUS, 45.0)
    ]
    assert rig.desk.state()["waiting"] == []
    assert equipment(rig).writes(MODBUS) == [45.0]


@pytest.mark.parametrize("act", ["approve", "approve_look"])
async def test_who_may_be_the_second_person(rig: Rig, act: str) -> None:
    order = await waiting(rig)
    number = {"number": order["number"]}
    await refused("two_people", rig.desk.act(act, TECH, number))
    await refused("two_people", rig.desk.act(act, replace(TECH, session="another tab"), number))
    await refused("two_people", rig.desk.act(act, replace(OTHER, session=TECH.session), number))
    await refused("role", rig.desk.act(act, OPERATOR, number))
    for wrong in (0, order["number"] + 1, str(order["number"]), None, order["token"]):
        await refused("token", rig.desk.act(act, OTHER, {"number": wrong}))
    await rig.desk.act(act, LEAD, number)


async def test_what_needs_one_person_only_waits_for_nobody(rig: Rig) -> None:
    await rig.arm("CH-1")
    order = await rig.stage(MODBUS, 45.0)
    await refused("token", rig.desk.act("approve", OTHER, {"number": order["number"]}))


async def test_an_agreement_lasts_as_long_as_the_minute_and_the_session_of_whoever_gave_it(rig: Rig) -> None:
    order = await waiting(rig)
    await rig.desk.act("approve", OTHER, {"number": order["number"]})
    rig.desk.session_ended("somebody else", "signed out")
    assert rig.desk.state()["waiting"][0]["approved_by"] == "ab"
    rig.desk.session_ended(OTHER.session, "role changed")
    assert rig.desk.state()["waiting"][0]["approved_by"] == ""
    rig.pass_s(58.5)
    assert len(rig.desk.state()["waiting"]) == 1
    rig.pass_s(0.1)
    assert rig.desk.state()["waiting"] == []
    await refused("token", rig.desk.act("approve", OTHER, {"number": order["number"]}))
    assert equipment(rig).packets == []


async def test_each_staged_command_has_a_number_of_its_own(rig: Rig) -> None:
    await rig.arm("CH-1")
    assert [(await rig.stage(MODBUS, 45.0))["number"] for _ in range(3)] == [1, 2, 3]


# --- a standstill before a start -----------------------------------------------------------------------------
def status(rig: Rig, value: float | None, quality: Quality = Quality.GOOD) -> None:
    rig.readings["CWP-1.status"] = Reading(value, quality, "" if quality is Quality.GOOD else "old", 0)


async def test_a_start_waits_until_its_machine_is_known_to_have_stood_long_enough(rig: Rig) -> None:
    with_permit(rig, START, restart_s=600.0)
    await rig.arm("CWP-1")
    status(rig, 0.0)
    assert "known to stand for 0 min; 10 min" in await refused("restart", rig.stage(START, 1))
    await rig.tick(1.0)
    rig.pass_s(599.0)
    await rig.arm("CWP-1")
    await rig.tick()
    assert "for 10 min" in await refused("restart", rig.stage(START, 1))
    rig.pass_s(1.0)
    await rig.stage(START, 1)
    await rig.stage(START, 0)
    status(rig, 1.0)
    await rig.tick()
    status(rig, 0.0)
    await rig.tick(300.0)
    await rig.arm("CWP-1")
    assert "for 5 min" in await refused("restart", rig.stage(START, 1))


@pytest.mark.parametrize(("value", "quality"), [(0.0, Quality.STALE), (None, Quality.BAD), (1.0, Quality.GOOD)])
async def test_what_is_not_known_to_stand_counts_as_running(rig: Rig, value: float | None, quality: Quality) -> None:
    with_permit(rig, START, restart_s=600.0)
    status(rig, 0.0)
    await rig.tick(1.0)
    status(rig, value, quality)
    await rig.tick(600.0)
    await rig.arm("CWP-1")
    await refused("restart", rig.stage(START, 1))


async def test_other_starts_and_stops_wait_for_nothing(rig: Rig) -> None:
    status(rig, 1.0)
    await rig.arm("CWP-1")
    await rig.stage(START, 1)
    with_permit(rig, START, restart_s=600.0)
    await rig.tick()
    await rig.stage(START, 0)


# --- an override of days -------------------------------------------------------------------------------------
async def test_an_override_that_is_renewed_for_days_is_brought_to_mind_for_an_hour_of_each(rig: Rig) -> None:
    await rig.write(MODBUS, 45.0, LEAD, seconds=86_400)
    await rig.tick(1.0)
    seen = {}
    for hour in range(1, 60):
        rig.pass_s(3_600.0 - 2.5)
        if hour % 20 == 0:
            await rig.write(MODBUS, 45.0 + hour / 100, LEAD, seconds=86_400)
            await rig.tick(1.0)
        else:
            rig.pass_s(2.5)
            await rig.tick()
        seen[hour] = MOVES[rig.desk.numbers()[MODBUS]]
    assert [hour for hour, word in seen.items() if word == "STANDING"] == [24, 48]
    assert set(seen.values()) == {"HELD", "STANDING"}
    assert len(rig.desk.keeper.overrides) == 1


# --- who holds what ------------------------------------------------------------------------------------------
async def test_every_priority_that_anybody_holds_is_shown_with_its_age(rig: Rig) -> None:
    equipment(rig).slots[START][9] = 1.0
    await rig.write(BACNET, 45.0)
    await rig.tick(1.0)
    first = await rig.desk.held.rows()
    rig.pass_s(29.9)
    equipment(rig).silent.add("BC-1")
    assert await rig.desk.held.rows() == first, "not more often than every half minute"
    rig.pass_s(0.1)
    second = await rig.desk.held.rows()
    assert [(row["point"], row["priority"], row["ours"], row["word"]) for row in first["held"]] == [
        (START, 10, False, "ON"), (BACNET, 8, True, ""),
    ]  # fmt: skip
    assert second["held"] == []
    assert set(second["silent"]) == {BACNET}
    assert second["points"] == 2


async def test_a_priority_is_ours_only_where_our_value_stands_at_our_place(rig: Rig) -> None:
    await rig.write(BACNET, 45.0)
    await rig.tick(1.0)
    equipment(rig).slots[BACNET][7] = 46.0
    equipment(rig).slots[BACNET][8] = 45.0
    rows = (await rig.desk.held.rows())["held"]
    assert [(row["priority"], row["ours"]) for row in rows] == [(8, False), (9, False)]


async def test_after_a_command_or_a_release_the_priorities_are_read_afresh(rig: Rig) -> None:
    assert (await rig.desk.held.rows())["held"] == []
    await rig.write(BACNET, 45.0)
    assert [row["priority"] for row in (await rig.desk.held.rows())["held"]] == [8]
    await rig.tick(1.0)
    await rig.desk.act("release_all", LEAD, {})
    assert (await rig.desk.held.rows())["held"] == []
    equipment(rig).slots[START][9] = 1.0
    await rig.arm("CWP-1")
    assert (await rig.desk.held.rows())["held"] == [], "arming writes nothing"
