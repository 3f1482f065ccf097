"""Commands over a slow link: an answer that comes late is waited for, one that comes too late is never a second write."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.interop.command_cases import WANTED, refused, staged
from tests.interop.command_places import Place, place
from tests.interop.slow_link import slow_link

KIND = {"BACnet, simulated": "WriteProperty", "Modbus, simulated": "write single register"}
TOO_LATE_S = 0.9
"""Beyond the 0.5 s after which our devices count as silent."""
pytestmark = pytest.mark.commands_equipment


def device_of(at: Place) -> str:
    return at.rig.plant.points[at.point].device


@pytest.mark.parametrize("name", KIND)
async def test_an_answer_that_takes_its_time_is_waited_for(
    name: str, tmp_path: Path, write_frames: Callable[[], list[str]]
) -> None:
    async with place(name, tmp_path) as at, slow_link(at.rig.plant, device_of(at)) as link:
        link.there_s = link.back_s = 0.03
        answer = await at.rig.commit(await staged(at))
        assert answer["state"] == "VERIFYING"
        link.there_s = link.back_s = 0.0
        await at.rig.tick(1.0)
        assert (at.rig.row(at.point)["state"], at.rig.row(at.point)["result"]) == ("HELD", "VERIFIED")
        assert await at.held() == WANTED
        assert at.arrived is not None
        assert at.arrived() == 1
    assert write_frames() == [KIND[name]] * 2, "one by us, carried on by the link in this same process"


@pytest.mark.parametrize("name", KIND)
async def test_an_answer_that_comes_too_late_leaves_it_unknown_until_a_reading_and_nothing_is_sent_again(
    name: str, tmp_path: Path, write_frames: Callable[[], list[str]]
) -> None:
    async with place(name, tmp_path) as at, slow_link(at.rig.plant, device_of(at)) as link:
        order = await staged(at)
        targets = at.rig.desk.site.targets
        plain = targets.put

        async def slowly(*arguments: Any) -> None:
            link.back_s = TOO_LATE_S
            await plain(*arguments)

        targets.put = slowly  # type: ignore[assignment, method-assign]
        assert (await at.rig.commit(order))["state"] == "UNKNOWN"
        targets.put = plain  # type: ignore[method-assign]
        link.back_s = 0.0
        await refused("token", at.rig.commit(order), at)  # the page sends it once more
        await refused("held", at.rig.stage(at.point, 45.0), at)
        await at.rig.tick(1.0)
        row = at.rig.row(at.point)
        assert (row["state"], row["result"], row["detail"]) == ("HELD", "VERIFIED", " (late)")
        assert at.arrived is not None
        assert at.arrived() == 1
    assert write_frames() == [KIND[name]] * 2, "one by us, carried on by the link in this same process"


@pytest.mark.parametrize("name", KIND)
async def test_a_look_that_comes_too_late_is_no_look_and_nothing_is_sent(
    name: str, tmp_path: Path, write_frames: Callable[[], list[str]]
) -> None:
    async with place(name, tmp_path) as at, slow_link(at.rig.plant, device_of(at)) as link:
        order = await staged(at)
        link.back_s = TOO_LATE_S
        await refused("no_answer", at.rig.commit(order), at)
        link.back_s = 0.0
        assert at.arrived is not None
        assert at.arrived() == 0
    assert write_frames() == []
