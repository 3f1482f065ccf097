"""What the browser tests share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser.seeing import chromium
from tests.running import Running, live_demo

ALARM = "CH-2.COND-P-HI"
"""What stands on the list of the shared demo: a gauge there reads 60 psi too high, for as long as the demo runs."""
FAULT = "sensor-bias:CH-2.cond_pressure:+60"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Return one browser for a module."""
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="session")
def shared_demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Return one demo for all modules that only look, or that leave it as they found it.

    It runs ten times as fast, so that values move while a test looks; an alarm stands, so that every page
    has something to show; and it is ready for commands, so that their forms are among what is looked at.
    """
    options = ("--speed", "10", "--practice", "--fault", FAULT)
    with live_demo(tmp_path_factory.mktemp("demo"), *options, within_s=60) as started:
        started.until(lambda: ALARM in {row["id"] for row in started.get("/api/v1/alarms")["active"]}, 60)
        yield started


@pytest.fixture(scope="session")
def fast_demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Return one demo that runs sixty times as fast, so that whole intervals are soon behind it."""
    with live_demo(tmp_path_factory.mktemp("demo"), "--speed", "60", within_s=40) as started:
        yield started
