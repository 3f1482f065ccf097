"""Twenty check cases of commanding, each on every kind of equipment: what is refused sends nothing, what is committed sends one.

A case does something at a place and raises if it does not come out as it must. It returns how many write services
must have left: counted at our socket by whoever runs it, and at the device where that counts.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any, Final

from plantview.errors import CommandRefused
from tests.interop.command_places import REST, Place
from tests.unit.command_rig import LEAD, OPERATOR, OTHER, START, TECH, VIEWER

Case = Callable[[Place], Awaitable[int]]
WANTED: Final = 46.0


class Differs(AssertionError):
    """A case came out otherwise than it must."""


def same(found: object, wanted: object, what: str = "") -> None:
    if found != wanted:
        raise Differs(f"{what}: {found!r}, must be {wanted!r}")


async def refused(rule: str, doing: Awaitable[Any], place: Place) -> str:
    """Make sure that it is refused by this rule, and that the audit says so; return the sentence."""
    try:
        await doing
    except CommandRefused as refusal:
        same(refusal.rule, rule, f"rule of '{refusal}'")
        if rule != "audit":
            same(place.rig.rules()[-1], rule, "rule in the audit")
        return str(refusal)
    raise Differs(f"was not refused; must be: {rule}")


async def staged(place: Place, value: float = WANTED, **more: Any) -> dict[str, Any]:
    if place.rig.desk.arms.get(place.equipment) is None:
        await place.rig.arm(place.equipment)
    found = await place.rig.stage(place.point, value, **more)
    place.rig.pass_s(1.5)
    return found


async def held(place: Place) -> int:
    """Commit and prove one override."""
    await place.rig.commit(await staged(place))
    await place.rig.tick(1.0)
    return 1


def shows(place: Place, state: str, result: str) -> None:
    row = place.rig.row(place.point)
    same((row["state"], row["result"]), (state, result), row["detail"])


async def nothing_is_enabled(place: Place) -> int:
    from plantview.channel.messages import AskRefused
    from plantview.model.permit import Writes
    from plantview.service.command_asks import CommandAsks

    object.__setattr__(place.rig.plant, "writes", Writes())
    asks = CommandAsks(
        place.rig.plant, place.rig.folder, place.rig.clock, place.rig.signals, place.rig.frame, lambda _: None
    )
    for act in ("arm", "stage", "commit", "release_all"):
        try:
            await asks.command({"act": act, "person": TECH.row(), "body": {"point": place.point, "value": WANTED}})
        except AskRefused as refusal:
            same(refusal.code, "writes_disabled")
            same(place.rig.rules()[-1], "writes_disabled", "rule in the audit")
        else:
            raise Differs(f"{act} was not refused")
    return 0


async def one_write_is_proven(place: Place) -> int:
    await place.rig.commit(await staged(place))
    shows(place, "VERIFYING", "PENDING")
    await place.rig.tick(1.0)
    shows(place, "HELD", "VERIFIED")
    same(await place.held(), WANTED, "held")
    same(await place.shown(), WANTED, "present value")
    return 1


async def a_changed_value(place: Place) -> int:
    order = await staged(place)
    await place.outsider(REST + 3.0, 12)
    await refused("changed", place.rig.commit(order), place)
    return 0


async def no_number_or_out_of_range(place: Place) -> int:
    await place.rig.arm(place.equipment)
    for value, rule in ((101.0, "range"), (39.9, "range"), (float("nan"), "type"), (float("inf"), "type"), ("44", "type"),
                        (True, "type"), (None, "type"), ([45], "type"), (-1e308, "range"), (47.5, "step")):  # fmt: skip
        await refused(rule, place.rig.stage(place.point, value), place)
    return 0


async def a_higher_priority(place: Place) -> int:
    if place.sticky:  # no priorities: a panel that puts its own value back at once is the like of it
        await place.rig.commit(await staged(place))
        await place.outsider(REST, 0)
        await place.rig.tick(1.0, 2.0, 7.0)
        shows(place, "NOT_WRITTEN", "MISMATCH")
        return 1
    await place.outsider(43.0, 5)
    place.rig.readings.clear()
    order = await staged(place, 44.5)
    if not any("Priority 5 wins" in text for text in order["warnings"]):
        raise Differs("nobody was warned that it will have no effect")
    await place.rig.commit(order)
    await place.rig.tick(1.0, 2.0, 7.0)
    shows(place, "HELD", "ACCEPTED_NOT_EFFECTIVE")
    same(place.rig.row(place.point)["detail"], "priority 5 wins")
    same(await place.held(), 44.5, "slot 8")
    return 1


async def a_minimum_time(place: Place) -> int:
    """On BACnet: an output that keeps its state for 600 s, 90 s of which are over. On Modbus: a reading that lags behind."""
    if place.sticky:
        await place.rig.commit(await staged(place))
        await place.outsider(REST, 0)
        await place.rig.tick(1.0)
        shows(place, "VERIFYING", "PENDING")
        await place.outsider(WANTED, 0)
        await place.rig.tick(2.0)
        shows(place, "HELD", "VERIFIED")
        return 1
    if "devices" not in place.more:
        return await one_write_is_proven(place)  # a server without minimum times
    rig, clock = place.rig, place.rig.manual
    found = place.more["devices"].controller("BC-1")._contents.by_identifier()
    fan = next(one for one in found.values() if str(one.objectIdentifier) == "binary-output,1")
    from bacpypes3.basetypes import BinaryPV
    from bacpypes3.primitivedata import Null, Unsigned

    await fan.write_property("minimumOffTime", Unsigned(600))
    await fan.write_property("presentValue", BinaryPV(1), None, 9)
    await fan.write_property("presentValue", BinaryPV(0), None, 9)
    await fan.write_property("presentValue", Null(()), None, 9)
    clock._move(90.0)
    place.more["devices"].refresh()
    await rig.arm("CWP-1")
    order = await rig.stage(START, 1)
    rig.pass_s(1.5)
    await rig.commit(order)
    await rig.tick(1.0, 2.0, 7.0)
    row = rig.row(START)
    same((row["state"], row["result"]), ("HELD", "PENDING_MIN_ONOFF"), row["detail"])
    same(row["detail"], "a minimum time of the device runs for another 498 s")
    clock._move(600.0)
    place.more["devices"].refresh()
    await rig.tick(10.0)
    same(rig.row(START)["result"], "VERIFIED", "after the minimum time")
    return 1


async def a_silent_device(place: Place) -> int:
    """Nobody answers the write; nothing is repeated; the next reading decides."""
    order = await staged(place)
    rig = place.rig
    plain = rig.desk.site.targets.put

    async def deaf(*arguments: Any) -> None:
        await place.silence(True)
        await plain(*arguments)

    rig.desk.site.targets.put = deaf  # type: ignore[assignment, method-assign]
    await rig.commit(order)
    rig.desk.site.targets.put = plain  # type: ignore[method-assign]
    shows(place, "UNKNOWN", "UNKNOWN")
    await rig.tick(1.0, 30.0)
    shows(place, "UNKNOWN", "UNKNOWN")
    await place.silence(False)
    await rig.tick(60.0)
    shows(place, "NOT_WRITTEN", "NOT_WRITTEN")
    return 1


async def its_time_is_over(place: Place) -> int:
    await held(place)
    await place.rig.tick(7_199.0, 2.0)
    shows(place, "RELEASED", "RELEASED")
    same(await place.held(), REST if place.sticky else None, "after the release")
    same(await place.shown(), REST, "present value")
    return 2


async def another_writer(place: Place) -> int:
    await held(place)
    await place.outsider(60.0, 8)
    await place.rig.tick(7_200.0)
    shows(place, "TAKEN", "FOREIGN")
    same(place.rig.desk.numbers()[place.point], 3, "alarm signal")
    await place.rig.tick(600.0, 600.0)
    same(await place.held(), 60.0, "the other's value")
    return 1


async def no_link_at_its_end(place: Place) -> int:
    await held(place)
    await place.silence(True)
    await place.rig.tick(7_200.0)
    for _ in range(4):
        same(place.rig.desk.numbers()[place.point], 2, "alarm signal")
        await place.rig.tick(300.0)
    await place.silence(False)
    await place.rig.tick(60.0)
    shows(place, "RELEASED", "RELEASED")
    same(place.rig.desk.numbers()[place.point], 0, "alarm signal")
    return 2


async def killed_while_held(place: Place) -> int:
    await held(place)
    rig = place.rig
    rig.pass_s(3 * 3_600.0)
    rig.start()  # nothing was closed
    await refused("recovering", rig.arm(place.equipment), place)
    await rig.tick(0.0)
    shows(place, "RELEASED", "RELEASED")
    same([row["expiry"] for row in rig.told() if row["act"] == "taken up after a start"], ["overdue 1 h 00"])
    await rig.arm(place.equipment)
    return 2


async def killed_between(place: Place) -> int:
    """The intent is on disk, the result is not: once with the packet gone out, once without."""
    for went_out in (True, False):
        order = await staged(place, WANTED if went_out else 45.0)
        rig, plain = place.rig, place.rig.desk.site.targets.put

        async def cut(*arguments: Any, plain: Any = plain, went_out: bool = went_out) -> None:
            if went_out:
                await plain(*arguments)
            raise KeyboardInterrupt  # the process is gone

        rig.desk.site.targets.put = cut  # type: ignore[assignment, method-assign]
        try:
            await rig.commit(order)
        except KeyboardInterrupt:
            rig.desk.site.targets.put = plain  # type: ignore[method-assign]
        rig.start()
        await rig.tick(0.0)
        shows(place, *(("HELD", "VERIFIED") if went_out else ("NOT_WRITTEN", "NOT_WRITTEN")))
        if went_out:
            await rig.desk.act("release_all", LEAD, {})
            await rig.tick(1.0)
    return 2


async def tokens(place: Place) -> int:
    rig = place.rig
    order = await staged(place)
    await rig.commit(order)
    await refused("token", rig.commit(order), place)
    await rig.tick(1.0)
    order = await staged(place, 45.0)
    rig.pass_s(60.0)
    rig.desk.arms.heard(TECH.session)
    await refused("token_old", rig.commit(order), place)
    await rig.arm(place.equipment)
    order = await staged(place, 45.0)
    await refused("session", rig.commit(order, OTHER), place)
    return 1


async def wrong_role(place: Place) -> int:
    order = await staged(place)
    for person in (VIEWER, OPERATOR):
        await refused("role", place.rig.arm(place.equipment, person), place)
        await refused("role", place.rig.stage(place.point, WANTED, person), place)
    demoted = type(TECH)(TECH.name, VIEWER.role, TECH.session, TECH.source)
    await refused("role", place.rig.commit(order, demoted), place)
    return 0


async def somebody_works_on_it(place: Place) -> int:
    rig, equipment = place.rig, place.equipment if place.sticky else "CWP-1"
    point = place.point if place.sticky else START
    await rig.arm(equipment)
    order = await rig.stage(point, 45.0 if place.sticky else 1)
    rig.pass_s(1.5)
    body = {"equipment": equipment, "text": "belt change", "phone": "555-0117"}
    await rig.desk.act("notice", OTHER, body)
    await refused("token", rig.commit(order), place)
    await rig.arm(equipment)
    said = await refused("work_notice", rig.stage(point, 45.0 if place.sticky else 1), place)
    if "ab works on" not in said:
        raise Differs(f"the owner is not named: {said}")
    await refused("notice", rig.desk.act("notice_remove", TECH, {"equipment": equipment}), place)
    await rig.desk.act("notice_remove", OTHER, {"equipment": equipment})
    return 0


async def forbidden_priorities(place: Place) -> int:
    await place.rig.arm(place.equipment, LEAD)
    for priority in (7, 1, 6, 17, 0, -1, "8", 8.0, True, 16):
        await refused("priority", place.rig.stage(place.point, WANTED, LEAD, priority=priority), place)
    return 0


async def no_slot(place: Place) -> int:
    """On Modbus: raw registers, nothing to release, the name typed. On BACnet: the name is typed for a critical point."""
    rig = place.rig
    if not place.sticky:
        from dataclasses import replace

        permits = {
            **rig.plant.writes.permits,
            place.point: replace(rig.plant.writes.permits[place.point], critical=True),
        }
        object.__setattr__(rig.plant, "writes", replace(rig.plant.writes, permits=permits))
    order = await staged(place, 42.0)
    same(order["raw"], "raw 420" if place.sticky else "", "raw")
    same((order["sticky"], order["typed"]), (place.sticky, True), "sticky and typed")
    same(order["restore"], REST if place.sticky else None, "restore value")
    await refused("typed", rig.commit(order, typed=""), place)
    await rig.commit(await staged(place, 42.0))
    await rig.tick(1.0)
    shows(place, "HELD", "VERIFIED")
    same(await place.shown(), 42.0, "read back")
    return 1


async def the_disk_is_full(place: Place) -> int:
    rig = place.rig
    order = await staged(place)
    full = rig.folder / "audit" / "audit-999999999.jsonl"
    full.symlink_to("/dev/full")
    await refused("audit", rig.commit(order), place)
    await rig.tick(1.0)
    if "cannot be written" not in rig.desk.state()["trouble"]:
        raise Differs("nobody is told that the audit cannot be written")
    full.unlink()
    await rig.arm(place.equipment)
    await rig.commit(await staged(place))
    return 1


async def two_people(place: Place) -> int:
    await place.rig.arm(place.equipment)
    said = await refused("armed_by", place.rig.arm(place.equipment, OTHER), place)
    if "armed by jd" not in said:
        raise Differs(f"the other is not named: {said}")
    await refused("armed_by", place.rig.stage(place.point, WANTED, OTHER), place)
    return 0


async def open_to_everybody(place: Place) -> int:
    """Pages beyond this computer without encryption are not served at all, writing enabled or not."""
    import argparse

    from plantview.cli_entry import way_of
    from plantview.errors import StartRefused

    for bind in ("0.0.0.0", "192.0.2.7"):
        try:
            way_of(argparse.Namespace(bind=bind), place.rig.folder)
        except StartRefused as refusal:
            if not str(refusal):
                raise Differs("no reason is given") from None
        else:
            raise Differs(f"served on {bind} without TLS or a gateway")
    return 0


CASES: Final[dict[int, Case]] = dict(
    enumerate(
        (
            nothing_is_enabled, one_write_is_proven, a_changed_value, no_number_or_out_of_range, a_higher_priority,
            a_minimum_time, a_silent_device, its_time_is_over, another_writer, no_link_at_its_end, killed_while_held,
            killed_between, tokens, wrong_role, somebody_works_on_it, forbidden_priorities, no_slot, the_disk_is_full,
            two_people, open_to_everybody,
        ),
        1,
    )
)  # fmt: skip
"""Number -> case."""
