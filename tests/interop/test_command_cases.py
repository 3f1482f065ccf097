"""The twenty check cases on BACnet and on Modbus, simulated and independent, with write services counted at the socket."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.interop.command_cases import CASES
from tests.interop.command_places import PLACES, place

ON_THE_WIRE = (2, 3, 5, 7, 8, 9, 12, 17)
"""Cases that depend on the device; independent ones run these here, and all twenty in ``tests/bench/commands.py``."""
PAIRS = [(name, number) for name in PLACES for number in CASES if "simulated" in name or number in ON_THE_WIRE]


@pytest.mark.commands_equipment
@pytest.mark.parametrize(("name", "number"), PAIRS)
async def test_a_refused_command_sends_nothing_and_a_committed_one_sends_one(
    name: str, number: int, tmp_path: Path, write_frames: Callable[[], list[str]]
) -> None:
    async with place(name, tmp_path) as at:
        expected = await CASES[number](at)
        arrived = at.arrived() if at.arrived is not None and at.more else None
    kind = "write single register" if name.startswith("Modbus") else "WriteProperty"
    assert write_frames() == [kind] * expected
    # a device that hears nothing counts one less; its case says how many left
    assert arrived is None or arrived in {expected, expected - 1}
