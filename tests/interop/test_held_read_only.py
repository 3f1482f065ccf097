"""Who holds which priority is read for plants to which nothing may be written, too: by reads, and with nothing that could write."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from plantview.model.permit import Writes
from plantview.service.command_asks import CommandAsks
from tests.interop.command_places import place
from tests.unit.command_rig import BACNET


@pytest.mark.parametrize("name", ["BACnet, simulated", "BACnet, rusty-bacnet"])
async def test_what_others_hold_is_shown_where_nothing_may_be_written(
    name: str, tmp_path: Path, write_frames: Callable[[], list[str]]
) -> None:
    async with place(name, tmp_path) as at:
        rig = at.rig
        plant = replace(rig.plant, writes=Writes())
        asks = CommandAsks(plant, tmp_path, rig.clock, rig.signals, rig.frame, lambda _: None)
        assert (await asks.overrides({}))["held"] == []
        await at.outsider(43.0, 10)
        await at.outsider(42.0, 5)
        rig.pass_s(29.0)
        assert (await asks.overrides({}))["held"] == [], "not more often than every half minute"
        rig.pass_s(1.0)
        seen = await asks.overrides({})
        assert [(row["point"], row["priority"], row["value"], row["winner"], row["ours"]) for row in seen["held"]] == [
            (BACNET, 5, 42.0, True, False), (BACNET, 10, 43.0, False, False),
        ]  # fmt: skip
        first_ms = rig.clock.now_ms()
        await at.outsider(None, 5)
        rig.pass_s(60.0)
        seen = await asks.overrides({})
        assert [(row["priority"], row["winner"], row["seen_since_ms"]) for row in seen["held"]] == [
            (10, True, first_ms)
        ]
        assert (seen["silent"], seen["points"]) == ({}, 2)
        await at.silence(True)
        rig.pass_s(30.0)
        seen = await asks.overrides({})
        assert (seen["held"], list(seen["silent"])) == ([], [BACNET])
    assert write_frames() == []
