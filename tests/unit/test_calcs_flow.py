"""The decoupler's flow has a direction."""

from __future__ import annotations

from plantview.calcs.flow import decoupler_flow_l_s


def test_surplus_flows_from_supply_to_return_and_deficit_back() -> None:
    assert decoupler_flow_l_s(180.0, 150.0) == 30.0
    assert decoupler_flow_l_s(150.0, 180.0) == -30.0
