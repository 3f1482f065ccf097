"""How a plant's loops are piped, as its controller needs to know it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from plantview.errors import ConfigError, Problem
from plantview.model.plant import Loop, Plant, Port, Stage
from plantview.simulator.layout_towers import TowerLayout, towers_of
from plantview.simulator.sizing import Sizes


@dataclass(frozen=True, slots=True)
class PumpGroup:
    """Headered pumps of one stage."""

    id: str
    loop: str
    pumps: tuple[str, ...]
    serves_chillers: bool
    serves_coils: bool


@dataclass(frozen=True, slots=True)
class TrainLayout:
    """What has to open and turn for one chiller."""

    chiller: str
    valves: tuple[str, ...]
    own_pumps: tuple[str, ...]
    """Dedicated pumps, in the chiller's own branches."""
    chw_valves: tuple[str, ...] = ()
    """Those of ``valves`` on the chilled side."""
    cw_valves: tuple[str, ...] = ()
    """Those of ``valves`` on the condenser side: they also hold the lift of the machine."""
    least_lift_k: float = 0.0
    """Least leaving condenser water over leaving chilled water; 0 where the maker states none."""
    condenser_loop: str = ""
    """Loop of its condenser; empty for an air-cooled machine."""
    behind: tuple[str, ...] = ()
    """Chillers in series behind it, which cool its water further."""
    hot_pumps: tuple[str, ...] = ()
    """Pumps in the branch of its recovery condenser."""


@dataclass(frozen=True, slots=True)
class ExchangerLayout:
    """An economiser ahead of the chillers, or beside them."""

    id: str
    loop: str
    start: str
    """Loop and header of its warm side."""
    warm_valves: tuple[str, ...]
    cool_valves: tuple[str, ...]
    bypass_valves: tuple[str, ...]
    """Take the water past its warm side."""
    approach_k: float
    warm_in_c: float
    """Return water that the coils are designed for."""
    beside: bool = False
    """It stands in parallel with the chillers: it carries the whole load or nothing."""
    warm_pumps: tuple[str, ...] = ()
    cool_pumps: tuple[str, ...] = ()
    """Pumps in its own branches."""
    cool_loop: str = ""


@dataclass(frozen=True, slots=True)
class Layout:
    """Trains, pump groups and the headers at which things are held."""

    trains: tuple[TrainLayout, ...]
    groups: tuple[PumpGroup, ...]
    supply: str
    """Header that leaves the chillers."""
    coil_ends: tuple[str, str]
    """Headers between which the coils stand."""
    chilled: str
    """Id of the chilled water loop."""
    towers: tuple[TowerLayout, ...]
    """One for each condenser water loop; none in an air-cooled plant."""
    coil_valves: dict[str, str]
    """Coil -> its valve."""
    least_flow_bypass: str
    """Valve of a minimum-flow bypass in the chilled loop; empty where there is none."""
    exchanger: ExchangerLayout | None = None
    hand_valves: tuple[str, ...] = ()
    """Valves in branches that no sequence drives: they stand open."""


def layout_of(plant: Plant) -> Layout:
    """Return how the plant is piped; ConfigError says what the controller cannot do without."""
    sizes = Sizes(plant)
    chilled = plant.loop_of("chilled")
    if chilled is None or not chilled.stages_of("coil") or not chilled.stages_of("chiller"):
        wrong = "the simulator needs a chilled water loop with chillers and coils"
        raise ConfigError(plant.folder, [Problem("plant.toml", 0, "loops", wrong, "add the missing loop or stage")])
    chillers, coils = chilled.stages_of("chiller"), chilled.stages_of("coil")
    trains = tuple(
        _train(sizes, port.equipment, branch)
        for stage in chillers
        for branch in stage.branches
        for port in branch
        if port.side == "evaporator"
    )
    all_coils = [stage for loop in plant.loops.values() for stage in loop.stages_of("coil")]
    layout = Layout(
        trains,
        tuple(group for loop in plant.loops.values() for group in _groups(sizes, loop)),
        chillers[-1].end,
        (coils[0].start, coils[-1].end),
        chilled.id,
        towers_of(plant),
        _coil_valves(sizes, all_coils),
        _least_flow_bypass(chilled),
        _exchanger(sizes, chilled, chillers),
    )
    return replace(layout, hand_valves=_hand_valves(sizes, layout))


def _train(sizes: Sizes, chiller: str, branch: tuple[Port, ...]) -> TrainLayout:
    condenser_loop, warm_side = _branch_with(sizes.plant, f"{chiller}.condenser")
    _, hot_side = _branch_with(sizes.plant, f"{chiller}.recovery")
    ports = [*branch, *warm_side]
    places = [port.equipment for port in branch if port.side == "evaporator"]
    return TrainLayout(
        chiller,
        tuple(port.equipment for port in ports if sizes.role(port) == "valve"),
        tuple(port.equipment for port in ports if sizes.role(port) == "pump"),
        tuple(port.equipment for port in branch if sizes.role(port) == "valve"),
        tuple(port.equipment for port in warm_side if sizes.role(port) == "valve"),
        sizes.plant.equipment[chiller].design.get("min_lift", 0.0) if condenser_loop else 0.0,
        condenser_loop,
        tuple(places[places.index(chiller) + 1 :]),
        tuple(port.equipment for port in hot_side if sizes.role(port) == "pump"),
    )


def _branch_with(plant: Plant, wanted: str) -> tuple[str, tuple[Port, ...]]:
    """Return the loop and the branch of a port; nothing where it stands in none."""
    for loop in plant.loops.values():
        for stage in loop.stages:
            for branch in stage.branches:
                if any(str(port) == wanted for port in branch):
                    return loop.id, branch
    return "", ()


def _hand_valves(sizes: Sizes, layout: Layout) -> tuple[str, ...]:
    """Return the valves in branches that nobody drives."""
    driven = {name for train in layout.trains for name in train.valves} | set(layout.coil_valves.values())
    for towers in layout.towers:
        driven |= {towers.valve, towers.bypass, *(name for names in towers.cell_valves.values() for name in names)}
    if layout.exchanger:
        driven |= {*layout.exchanger.warm_valves, *layout.exchanger.cool_valves}
    return tuple(
        port.equipment
        for loop in sizes.plant.loops.values()
        for stage in loop.stages
        for port in stage.ports()
        if sizes.role(port) == "valve" and port.equipment not in driven
    )


def _exchanger(sizes: Sizes, chilled: Loop, chillers: tuple[Stage, ...]) -> ExchangerLayout | None:
    """Return the first economiser whose warm side stands in the chilled and its cool side in a condenser loop."""
    for stage in chilled.stages_of("heat_exchanger"):
        for branch in stage.branches:
            for port in branch:
                cool_loop, cool_side = _branch_with(sizes.plant, f"{port.equipment}.cool")
                if port.side == "warm" and cool_side:
                    beside = stage.end == chillers[-1].end
                    found = _economiser(sizes, chilled, stage, (branch, cool_side), port.equipment)
                    return replace(found, beside=beside, cool_loop=cool_loop)
    return None


def _economiser(
    sizes: Sizes, chilled: Loop, stage: Stage, sides: tuple[tuple[Port, ...], tuple[Port, ...]], name: str
) -> ExchangerLayout:
    valves = [tuple(port.equipment for port in side if sizes.role(port) == "valve") for side in sides]
    pumps = [tuple(port.equipment for port in side if sizes.role(port) == "pump") for side in sides]
    past = tuple(
        valve for item in chilled.bypasses if (item.start, item.end) == (stage.start, stage.end) for valve in item.via
    )
    coils = [
        sizes.plant.equipment[port.equipment]
        for item in chilled.stages_of("coil")
        for port in item.ports()
        if port.side == "coil"
    ]
    return ExchangerLayout(
        name,
        chilled.id,
        stage.start,
        valves[0],
        valves[1],
        past,
        sizes.need(sizes.plant.equipment[name], "approach"),
        sizes.need(coils[0], "chwr_temp"),
        warm_pumps=pumps[0],
        cool_pumps=pumps[1],
    )


def _least_flow_bypass(chilled: Loop) -> str:
    """Return the valve of the bypass that runs against the coils: from where the chillers deliver back to the return."""
    beside = {(stage.start, stage.end) for stage in chilled.stages_of("heat_exchanger")}
    return next(
        (b.via[0] for b in chilled.bypasses if b.via and not b.either_way and (b.start, b.end) not in beside), ""
    )


def _groups(sizes: Sizes, loop: Loop) -> list[PumpGroup]:
    groups = []
    for stage in loop.stages_of("pump"):
        kinds = {item.kind for item in sizes.circuit_of(loop, stage)}
        pumps = tuple(port.equipment for port in sizes.pumps_of(stage))
        groups.append(PumpGroup(stage.id, loop.id, pumps, "chiller" in kinds, "coil" in kinds))
    return groups


def _coil_valves(sizes: Sizes, coils: Sequence[Stage]) -> dict[str, str]:
    found: dict[str, str] = {}
    for stage in coils:
        for branch in stage.branches:
            valves = [port.equipment for port in branch if sizes.role(port) == "valve"]
            found.update((port.equipment, valves[0]) for port in branch if sizes.role(port) == "coil" and valves)
    return found
