"""How a plant's loops are piped, as its controller needs to know it."""

from __future__ import annotations

from dataclasses import dataclass

from plantview.errors import ConfigError, Problem
from plantview.model.plant import Loop, Plant, Port, Stage
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


@dataclass(frozen=True, slots=True)
class ExchangerLayout:
    """An economiser ahead of the chillers."""

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
    condenser: str
    """Ids of the two loops."""
    cws: str
    """Header from which the condensers take their water."""
    coil_valves: dict[str, str]
    """Coil -> its valve."""
    tower_valve: str
    tower_bypass: str
    """Valve of the tower bypass and the one that moves against it; empty where there is none."""
    least_flow_bypass: str
    """Valve of a minimum-flow bypass in the chilled loop; empty where there is none."""
    exchanger: ExchangerLayout | None = None


def layout_of(plant: Plant) -> Layout:
    """Return how the plant is piped; ConfigError says what the controller cannot do without."""
    sizes = Sizes(plant)
    chilled, condenser = plant.loop_of("chilled"), plant.loop_of("condenser")
    if chilled is None or condenser is None or not chilled.stages_of("coil") or not chilled.stages_of("chiller"):
        raise ConfigError(
            plant.folder,
            [
                Problem(
                    "plant.toml",
                    0,
                    "loops",
                    "the simulator needs a chilled water loop with chillers and coils, and a condenser water loop",
                    "add the missing loop or stage",
                )
            ],
        )
    chillers, coils = chilled.stages_of("chiller"), chilled.stages_of("coil")
    barrels = condenser.stages_of("chiller")
    tower_bypass, tower_valve = _tower_bypass(plant, condenser)
    trains = [
        _train(sizes, port.equipment, branch, condenser)
        for stage in chillers
        for branch in stage.branches
        for port in branch
        if port.side == "evaporator"
    ]
    return Layout(
        tuple(trains),
        tuple(_groups(sizes, chilled)) + tuple(_groups(sizes, condenser)),
        chillers[-1].end,
        (coils[0].start, coils[-1].end),
        chilled.id,
        condenser.id,
        barrels[0].start,
        _coil_valves(sizes, coils),
        tower_valve,
        tower_bypass,
        _least_flow_bypass(chilled),
        _exchanger(sizes, chilled, condenser),
    )


def _train(sizes: Sizes, chiller: str, branch: tuple[Port, ...], condenser: Loop) -> TrainLayout:
    warm_side = [
        port
        for stage in condenser.stages_of("chiller")
        for other in stage.branches
        for port in other
        if any(item.equipment == chiller for item in other)
    ]
    ports = [*branch, *warm_side]
    return TrainLayout(
        chiller,
        tuple(port.equipment for port in ports if sizes.role(port) == "valve"),
        tuple(port.equipment for port in ports if sizes.role(port) == "pump"),
        tuple(port.equipment for port in branch if sizes.role(port) == "valve"),
        tuple(port.equipment for port in warm_side if sizes.role(port) == "valve"),
        sizes.plant.equipment[chiller].design.get("min_lift", 0.0),
    )


def _exchanger(sizes: Sizes, chilled: Loop, condenser: Loop) -> ExchangerLayout | None:
    """Return the first economiser whose warm side stands in the chilled and its cool side in the condenser loop."""
    cool_sides = {
        port.equipment: branch
        for stage in condenser.stages
        for branch in stage.branches
        for port in branch
        if port.side == "cool"
    }
    for stage in chilled.stages_of("heat_exchanger"):
        for branch in stage.branches:
            for port in branch:
                if port.side == "warm" and port.equipment in cool_sides:
                    return _economiser(sizes, chilled, stage, (branch, cool_sides[port.equipment]), port.equipment)
    return None


def _economiser(
    sizes: Sizes, chilled: Loop, stage: Stage, sides: tuple[tuple[Port, ...], tuple[Port, ...]], name: str
) -> ExchangerLayout:
    warm, cool = ([port.equipment for port in side if sizes.role(port) == "valve"] for side in sides)
    past = [
        valve for item in chilled.bypasses if (item.start, item.end) == (stage.start, stage.end) for valve in item.via
    ]
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
        tuple(warm),
        tuple(cool),
        tuple(past),
        sizes.need(sizes.plant.equipment[name], "approach"),
        sizes.need(coils[0], "chwr_temp"),
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


def _coil_valves(sizes: Sizes, coils: tuple[Stage, ...]) -> dict[str, str]:
    found: dict[str, str] = {}
    for stage in coils:
        for branch in stage.branches:
            valves = [port.equipment for port in branch if sizes.role(port) == "valve"]
            found.update((port.equipment, valves[0]) for port in branch if sizes.role(port) == "coil" and valves)
    return found


def _tower_bypass(plant: Plant, condenser: Loop) -> tuple[str, str]:
    bypass = next((valve for item in condenser.bypasses for valve in item.via), "")
    for actuator in plant.actuators.values():
        if bypass in actuator.valves:
            other = [valve for valve in actuator.valves if valve != bypass]
            return bypass, other[0] if other else ""
    return bypass, ""
