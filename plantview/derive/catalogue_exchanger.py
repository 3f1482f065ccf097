"""What can be derived for one water-to-water heat exchanger, such as an economiser, from its four temperatures."""

from __future__ import annotations

from typing import Final

from plantview.calcs.approach import water_delta_t_k
from plantview.calcs.exchange import exchanger_effectiveness_pct, log_mean_difference_k
from plantview.derive.bindings import Row
from plantview.derive.evidence import DELTA_T_FLOOR_K, OPEN_PCT, loop_moves
from plantview.derive.gates import Evidence, Gate, Reaches
from plantview.model.plant import Equipment, Plant, Port

_DIFFERENCE: Final = "temperature_difference"
SIDES: Final = ("warm", "cool")


def exchanger_rows(plant: Plant, exchanger: Equipment) -> tuple[Row, ...]:
    """Return every row of a heat exchanger; all of them need water on both sides."""
    flowing = tuple(gate for side in SIDES for gate in _side_moves(plant, exchanger, side))
    little = tuple(
        Reaches(
            (Evidence(f"{exchanger.id}.{side}_delta_t", DELTA_T_FLOOR_K, f"{side} side ΔT is below {DELTA_T_FLOOR_K:g} K"),)
        )
        for side in SIDES
    )  # fmt: skip
    on = (*flowing, *little)
    why_not = "" if flowing else f"nothing tells whether water moves through {exchanger.id}"
    ends = ("warm_in_temp", "warm_out_temp", "cool_in_temp", "cool_out_temp")
    return (
        Row("warm_delta_t", _DIFFERENCE, "warm side ΔT", ends[:2], water_delta_t_k, flowing,
            "warm side in less out", why_not=why_not),
        Row("cool_delta_t", _DIFFERENCE, "cool side ΔT", (ends[3], ends[2]), water_delta_t_k, flowing,
            "cool side out less in", why_not=why_not),
        Row("approach", _DIFFERENCE, "approach", (ends[1], ends[2]), water_delta_t_k, flowing,
            "warm side out less cool side in", why_not=why_not),
        Row("log_mean_difference", _DIFFERENCE, "log mean difference", ends, _log_mean, on,
            "of the differences at both ends, counterflow", why_not=why_not),
        Row("effectiveness", "percent", "effectiveness", ends, _effectiveness, on,
            "larger ΔT / inlet difference: what one side loses the other gains", why_not=why_not),
    )  # fmt: skip


def _side_moves(plant: Plant, exchanger: Equipment, side: str) -> tuple[Gate, ...]:
    """Return what proves that water passes a side: the pumps of its loop, and the valves of its branch."""
    port = Port(exchanger.id, side)
    place = plant.stage_with(port)
    if place is None:
        return ()
    loop, stage = place
    branch = next(branch for branch in stage.branches if port in branch)
    valves = (each.equipment for each in branch if plant.equipment[each.equipment].kind == "valve")
    open_ = tuple(
        Reaches((Evidence(f"{valve}.position", OPEN_PCT, f"no water through {exchanger.id}: {valve} is shut"),))
        for valve in valves
        if f"{valve}.position" in plant.points
    )
    return (*loop_moves(plant, loop), *open_)


def _log_mean(warm_in: float, warm_out: float, cool_in: float, cool_out: float) -> float:
    return log_mean_difference_k(warm_in - cool_out, warm_out - cool_in)


def _effectiveness(warm_in: float, warm_out: float, cool_in: float, cool_out: float) -> float:
    # no flow is metered: the two stand to each other as the differences of the other side do
    return exchanger_effectiveness_pct(warm_in, warm_out, cool_in, cool_out - cool_in, warm_in - warm_out)
