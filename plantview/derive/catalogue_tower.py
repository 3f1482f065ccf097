"""What can be derived for one tower cell."""

from __future__ import annotations

from typing import Final

from plantview.calcs.tower import tower_approach_k, tower_effectiveness_pct, tower_range_k
from plantview.derive.bindings import Row
from plantview.derive.evidence import DELTA_T_FLOOR_K, FLOW_FLOOR_L_S, FLOW_SHARE, OPEN_PCT, loop_moves
from plantview.derive.gates import Evidence, Gate, Reaches
from plantview.derive.power import total_power
from plantview.derive.rings import upstream
from plantview.model.plant import Equipment, Loop, Plant, Port

WET_BULB: Final = "PLANT.wet_bulb"


def cell_rows(plant: Plant, cell: Equipment) -> tuple[Row, ...]:
    """Return every row of a tower cell."""
    place = plant.stage_with(Port(cell.id, ""))
    if place is None:
        return ()
    loop, stage = place
    headers, _ = upstream(loop, stage.start)
    candidates = (f"{cell.id}.entering_temp", *(f"{header}.temp" for header in headers))
    entering = next((name for name in candidates if name in plant.points), "entering_temp")
    wet = water_over(plant, loop, cell, stage.start)
    why_not = "" if loop_moves(plant, loop) else f"nothing tells whether water moves in loop {loop.id}"
    small = f"range of {cell.id} is below {DELTA_T_FLOOR_K:g} K"
    cooling = Reaches((Evidence(f"{cell.id}.range", DELTA_T_FLOOR_K, small),))
    return (
        Row(
            "range",
            "temperature_difference",
            "range",
            (entering, "leaving_temp"),
            tower_range_k,
            wet,
            f"{entering} less leaving water",
            why_not=why_not,
        ),
        Row(
            "approach",
            "temperature_difference",
            "approach",
            ("leaving_temp", WET_BULB),
            tower_approach_k,
            wet,
            "leaving water less outdoor wet bulb",
            why_not=why_not,
        ),
        Row(
            "effectiveness",
            "percent",
            "effectiveness",
            (entering, "leaving_temp", WET_BULB),
            tower_effectiveness_pct,
            (*wet, cooling),
            "range / (range + approach)",
            why_not=why_not,
        ),
        total_power(plant, "fan_power", "fan power", plant.parts_of(cell.id, "fan")),
    )


def water_over(plant: Plant, loop: Loop, cell: Equipment, header: str) -> tuple[Gate, ...]:
    """Return what proves that water runs over a cell: the loop moves, the riser is open, the cell is open."""
    floor = FLOW_SHARE * cell.design["water_flow"] if "water_flow" in cell.design else FLOW_FLOOR_L_S
    dry = f"no water over {cell.id}"
    own = tuple(
        piece
        for piece in (
            Evidence(f"{cell.id}.water_flow", floor, dry),
            Evidence(f"{cell.id}.isolation_valve", OPEN_PCT, f"{dry}: its isolation valve is shut"),
        )
        if piece.signal in plant.points
    )
    return (*loop_moves(plant, loop), *riser_open(plant, loop, header), *((Reaches(own),) if own else ()))


def riser_open(plant: Plant, loop: Loop, header: str) -> tuple[Gate, ...]:
    """Return what proves that the valves of the riser into ``header`` are open; only single valves can prove it."""
    _, stages = upstream(loop, header)
    valves = (stage.branches[0][0].equipment for stage in stages if stage.kind == "valve" and len(stage.branches) == 1)
    return tuple(
        Reaches((Evidence(f"{valve}.position", OPEN_PCT, f"no water over the towers: {valve} is shut"),))
        for valve in valves
        if f"{valve}.position" in plant.points
    )
