"""Tons are kW in other words."""

from __future__ import annotations

from plantview.calcs.load import KW_PER_TON, tons


def test_660_tons_are_2321_kw() -> None:
    assert round(660 * KW_PER_TON) == 2_321
    assert tons(660 * KW_PER_TON) == 660.0
