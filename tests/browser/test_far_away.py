"""``/m`` over a narrow, lossy link on a 320 px screen; the figures with their times: ``python tests/bench/far_away.py``."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.browser.far_away import visit

pytestmark = [pytest.mark.browser, pytest.mark.long, pytest.mark.timeout(180)]


async def test_the_phone_page_is_light_goes_stale_comes_back_and_lists_what_was_missed(tmp_path: Path) -> None:
    found = await visit(tmp_path, steady_s=0)
    assert found["first_bytes"] <= 60_000
    assert found["second_bytes"] <= 20_000
    assert found["charts"] == []
    assert found["sparklines"] >= 4
    assert "numbers below are old" in found["stale_words"]
    assert "grayscale" in found["stale_look"]
    assert "Vibration high" in found["missed"]
    assert found["small_targets"] == []
    assert found["wide_px"] <= 0
