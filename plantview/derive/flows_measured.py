"""Flows that a meter or a flow switch on the equipment of a branch tells."""

from __future__ import annotations

from typing import Final

from plantview.derive.conditions_observed import Observed
from plantview.model.operation import Basis, BranchFlow
from plantview.model.plant import Port

# (kind, side): flow point, design flow, flow switch
_METERS: Final = {
    ("chiller", "evaporator"): ("chw_flow", "chw_flow", "chw_flow_proof"),
    ("chiller", "condenser"): ("cw_flow", "cw_flow", "cw_flow_proof"),
    ("pump", ""): ("flow", "flow", ""),
    ("coil", "coil"): ("flow", "flow", ""),
    ("tower_cell", ""): ("water_flow", "water_flow", ""),
}

MOVING_SHARE: Final = 0.03
"""Share of the design flow above which a meter is believed to see movement and not its own zero error."""
MOVING_L_S: Final = 0.5
"""The same without a design flow, L/s."""


def measured(observed: Observed, ports: tuple[Port, ...]) -> BranchFlow | None:
    """Return the flow of the first usable meter in a branch, L/s; None without one."""
    for port in ports:
        kind = observed.plant.equipment[port.equipment].kind
        point, design, _ = _METERS.get((kind, port.side), ("", "", ""))
        flow_l_s = observed.number(port.equipment, point) if point else None
        if flow_l_s is not None:
            design_l_s = observed.plant.equipment[port.equipment].design.get(design)
            return BranchFlow(flow_l_s, abs(flow_l_s) > moving_above(design_l_s), Basis.MEASURED)
    return None


def proven(observed: Observed, ports: tuple[Port, ...]) -> bool | None:
    """Return what the first usable flow switch of a branch says; None without one."""
    for port in ports:
        kind = observed.plant.equipment[port.equipment].kind
        switch = _METERS.get((kind, port.side), ("", "", ""))[2]
        state = observed.state(port.equipment, switch) if switch else None
        if state is not None:
            return state
    return None


def moving_above(design_l_s: float | None) -> float:
    """Return the flow above which water is said to move, L/s."""
    return MOVING_SHARE * design_l_s if design_l_s else MOVING_L_S
