"""What a machine does beside what it is used to: rows over the models fitted to its own history."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from plantview.calcs._numeric import choose, total
from plantview.calcs.chiller_model import gordon_ng_power_kw
from plantview.calcs.efficiency import kw_per_ton
from plantview.derive.bindings import Row
from plantview.derive.cases import Codes
from plantview.derive.catalogue_tower import WET_BULB, water_over
from plantview.derive.evidence import OPEN_PCT, enough_load, power_signal, running
from plantview.derive.gates import Gate, Unmixed, Verdict
from plantview.derive.learned.models import Learned
from plantview.derive.moments import Moments
from plantview.derive.sight import Sight
from plantview.model.plant import Equipment, Loop, Plant, Port, Stage

OWN: Final = "by this machine's own model (plantview learn), only where it was seen before"
_DIFFERENCE: Final = "temperature_difference"


@dataclass(frozen=True, slots=True)
class HasModel:
    """A model of the machine was learned; ``doubt`` is what its kind always leaves open."""

    machine: str
    learned: Learned
    doubt: str = ""

    def judge(self, sight: Sight) -> Verdict:
        """Refuse while there is no model."""
        del sight
        why = self.learned.why_none(self.machine)
        return Verdict(refusal=why) if why else Verdict(doubt=self.doubt)

    def cases(self, moments: Moments) -> Sequence[Codes]:
        """Return nothing: the verdict is the same at every moment."""
        del moments
        return ()


def learned_chiller_rows(plant: Plant, chiller: Equipment, learned: Learned) -> tuple[Row, ...]:
    """Return what a chiller should draw, how far it is from that, and the band of its normal readings."""
    machine, power = chiller.id, power_signal(plant, chiller.id) or "power"
    has = HasModel(machine, learned)
    on = (*running(plant, chiller), *enough_load(plant, chiller, "chw"))
    carried = HasModel(machine, learned, "Gordon-Ng carries on beyond what was learned, and follows less closely")

    def expected(*inputs: float) -> float:
        return learned.expected(machine, inputs)

    def gordon_ng(chwr: float, cws: float, load: float) -> float:
        return gordon_ng_power_kw(chwr, cws, load, *learned.of(machine).gordon_ng)

    return (
        Row("power_expected", "power", "expected power", ("cooling_load", "cws_temp", "chws_temp"), expected, (*on, has),
            f"ten terms of load, entering condenser and leaving chilled water, {OWN}"),
        Row("power_by_gordon_ng", "power", "power by the Gordon-Ng model", ("chwr_temp", "cws_temp", "cooling_load"),
            gordon_ng, (*on, carried), "three parameters fitted to this machine; for comparison"),
        Row("kw_per_ton_expected", "efficiency", "expected efficiency", ("power_expected", "cooling_load_tons"),
            kw_per_ton, note=f"at the present load and water temperatures, {OWN}"),
        *_around(machine, learned, "power", power, "power_expected", "power"),
        Row("power_above_expected_pct", "percent", "power above expected, in per cent", (power, "power_expected"),
            _above_pct, note="of the expected power"),
    )  # fmt: skip


def learned_cell_rows(plant: Plant, cell: Equipment, learned: Learned) -> tuple[Row, ...]:
    """Return how cold a tower cell should make its water, how far it is from that, and its normal band."""
    place = plant.stage_with(Port(cell.id, ""))
    if place is None:
        return ()
    loop, stage = place
    machine, has = cell.id, HasModel(cell.id, learned)
    speeds = tuple(f"{fan.id}.speed" for fan in plant.parts_of(cell.id, "fan"))
    wet = (*water_over(plant, loop, cell, stage.start), *_bypasses_shut(plant, loop))

    def expected(across: float, wet_bulb: float, water: float, *fans: float) -> float:
        return learned.expected(machine, (across, wet_bulb, water, mean(*fans)))

    return (
        _water_row(plant, loop, stage, cell, wet),
        Row("approach_expected", _DIFFERENCE, "expected approach", ("range", WET_BULB, "water_over", *speeds), expected,
            (*wet, has), f"variable-speed correlation scaled to this cell, {OWN}",
            why_not="" if speeds else f"{cell.id} has no fan in the description"),
        Row("leaving_temp_expected", "temperature", "expected leaving water", (WET_BULB, "approach_expected"), _add,
            note="outdoor wet bulb and expected approach"),
        *_around(machine, learned, "leaving_temp", "leaving_temp", "leaving_temp_expected", "temperature"),
    )  # fmt: skip


def mean(*values: float) -> float:
    """Return the mean of several fans' speeds."""
    return total(values) / len(values)


def _around(machine: str, learned: Learned, name: str, measured: str, expected: str, quantity: str) -> tuple[Row, ...]:
    """Return the residual, and the edges between which nineteen of twenty readings lay that the fit did not see."""
    apart = _DIFFERENCE if quantity == "temperature" else quantity
    words = name.replace("_temp", " water").replace("_", " ")
    note = "expected {} what 19 of 20 readings of the days held back from the fit stayed within"

    def edge(value: float, side: float) -> float:
        return value + side * learned.of(machine).record.band

    return (
        Row(f"{name}_above_expected", apart, f"{words} above expected", (measured, expected), _less,
            note="measured less expected"),
        Row(f"{name}_normal_low", quantity, f"lowest normal {words}", (expected,), functools.partial(edge, side=-1.0),
            note=note.format("less")),
        Row(f"{name}_normal_high", quantity, f"highest normal {words}", (expected,), functools.partial(edge, side=1.0),
            note=note.format("and")),
    )  # fmt: skip


def _water_row(plant: Plant, loop: Loop, stage: Stage, cell: Equipment, wet: tuple[Gate, ...]) -> Row:
    """Return the water over a cell: its own meter, else the loop's water shared among the cells that are open."""
    if f"{cell.id}.water_flow" in plant.points:
        return Row("water_over", "flow", "water over the cell", ("water_flow",), _same, wet, "its own meter")
    meters = [f"{header}.flow" for header in loop.headers if f"{header}.flow" in plant.points][:1]
    if not meters:
        chillers = [port.equipment for each in loop.stages_of("chiller") for port in each.ports()]
        meters = [f"{machine}.cw_flow" for machine in dict.fromkeys(chillers)]
    others = [port.equipment for port in stage.ports() if port.equipment != cell.id]
    valves = [f"{other}.isolation_valve" for other in others]
    valved = [name for name in valves if name in plant.points]
    share = functools.partial(_share, meters=len(meters), always=len(others) - len(valved))
    note = f"{' + '.join(meters)} shared evenly among the open cells: no cell is metered"
    return Row("water_over", "flow", "water over the cell", (*meters, *valved), share, wet, note,
               why_not="" if meters else f"nobody meters the water of loop {loop.id}")  # fmt: skip


def _bypasses_shut(plant: Plant, loop: Loop) -> tuple[Gate, ...]:
    valves = [valve for bypass in loop.bypasses for valve in bypass.via]
    measured = [valve for valve in dict.fromkeys(valves) if f"{valve}.position" in plant.points]
    return tuple(
        Unmixed(valve, f"{valve}.position", OPEN_PCT, "part of the water does not pass the towers")
        for valve in measured
    )


def _share(*values: float, meters: int, always: int) -> float:
    cells = total([choose(valve >= OPEN_PCT, 1.0 + 0.0 * valve, 0.0 * valve) for valve in values[meters:]])
    return total(values[:meters]) / (1.0 + always + cells)


def _same(value: float) -> float:
    return value


def _add(one: float, other: float) -> float:
    return one + other


def _less(one: float, other: float) -> float:
    return one - other


def _above_pct(measured: float, expected: float) -> float:
    return 100.0 * (measured / expected - 1.0)
