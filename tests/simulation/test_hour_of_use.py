"""With the defaults a stretch of use sends no write and no subscription, and no process loads what could send one."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.day_of_use import COV, use


@pytest.mark.timeout(180)
def test_an_hour_of_use_with_the_defaults_changes_no_device_and_loads_nothing_that_could(tmp_path: Path) -> None:
    """A whole day of it is a row of ``tests/bench/commands.py --full``."""
    found = use(tmp_path, 1.0, 1_200)
    assert found.loaded == {"terminal": [], "simulator": [], "field": [], "web": []}
    assert found.writes == {}
    assert COV not in found.heard, "nobody configured a subscription"
    assert {"bacnet 14", "modbus 3"} <= found.heard.keys(), "reads were counted, so writes would have been"
    assert (found.held["points"], found.held["silent"]) == (18, {}), "who holds what is read, by reads"
