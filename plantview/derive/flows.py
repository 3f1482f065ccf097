"""Water through every branch and bypass: measured, inferred, or unknown."""

from __future__ import annotations

from collections.abc import Mapping

from plantview.derive.conditions_observed import Observed
from plantview.derive.flows_balance import Balance
from plantview.derive.flows_measured import MOVING_L_S, MOVING_SHARE, measured, proven
from plantview.derive.flows_paths import Path, moving, passage, paths
from plantview.model.operation import Basis, BranchFlow, Condition
from plantview.model.plant import Loop, Plant
from plantview.model.reading import Frame


def flows(plant: Plant, frame: Frame, conditions: Mapping[str, Condition]) -> dict[str, BranchFlow]:
    """Return the flow of each branch (``<loop>/<stage>/<index>``) and bypass (``<loop>/<bypass>``), L/s.

    Positive from the start header to the end header. A branch is measured where a meter of
    its own can be used. Otherwise pumps, valves and flow switches say whether water moves,
    and the balance of the headers gives a number where only one is missing.
    """
    observed = Observed(plant, frame)
    result: dict[str, BranchFlow] = {}
    for loop in plant.loops.values():
        result.update(_loop_flows(observed, loop, conditions))
    return result


def _loop_flows(observed: Observed, loop: Loop, conditions: Mapping[str, Condition]) -> dict[str, BranchFlow]:
    every = tuple(paths(loop))
    metered = {path.key: flow for path in every if (flow := measured(observed, path.ports)) is not None}
    moves = moving(observed, loop, conditions)
    known = {key: flow.flow_l_s for key, flow in metered.items() if flow.flow_l_s is not None}
    known |= {path.key: 0.0 for path in every if path.key not in metered and _closed(observed, path, conditions)}
    balance = Balance(loop, known, _groups(every))
    balance.solve(observed)
    return {path.key: metered.get(path.key) or _inferred(path, moves[path.key], balance) for path in every}


def _closed(observed: Observed, path: Path, conditions: Mapping[str, Condition]) -> bool:
    # a flow switch that is not made only says "too little", which is no number
    return passage(observed, path, conditions).open is False and proven(observed, path.ports) is None


def _groups(every: tuple[Path, ...]) -> dict[str, tuple[Path, ...]]:
    return {path.group: tuple(other for other in every if other.group == path.group) for path in every}


def _inferred(path: Path, moves: bool | None, balance: Balance) -> BranchFlow:
    flow_l_s = balance.by_path.get(path.key)
    if moves is False:
        return BranchFlow(0.0 if flow_l_s == 0.0 else None, moving=False, basis=Basis.INFERRED)
    if flow_l_s is not None:
        error_l_s = max(MOVING_L_S, MOVING_SHARE * balance.scale.get(path.key, 0.0))
        # a pump that is proven to run moves water, whatever little the balance leaves for it
        return BranchFlow(flow_l_s, moves or abs(flow_l_s) > error_l_s, Basis.INFERRED)
    return BranchFlow(None, moves, Basis.UNKNOWN if moves is None else Basis.INFERRED)
