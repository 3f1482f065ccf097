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


def layout_of(plant: Plant) -> Layout:
    """Return how the plant is piped; ConfigError says what the controller cannot do without."""
    sizes = Sizes(plant)
    chilled, condenser = plant.loop_of("chilled"), plant.loop_of("condenser")
    if chilled is None or condenser is None or not chilled.stages_of("coil") or not chilled.stages_of("chiller"):
        raise ConfigError(plant.folder, [Problem(
            "plant.toml", 0, "loops", "the simulator needs a chilled water loop with chillers and coils, and a condenser water loop",
            "add the missing loop or stage",
        )])
    chillers, coils = chilled.stages_of("chiller"), chilled.stages_of("coil")
    barrels = condenser.stages_of("chiller")
    tower_bypass, tower_valve = _tower_bypass(plant, condenser)
    trains = [
        _train(sizes, port.equipment, branch, condenser)
        for stage in chillers for branch in stage.branches for port in branch if port.side == "evaporator"
    ]
    return Layout(
        tuple(trains), tuple(_groups(sizes, chilled)) + tuple(_groups(sizes, condenser)), chillers[-1].end,
        (coils[0].start, coils[-1].end), chilled.id, condenser.id, barrels[0].start, _coil_valves(sizes, coils),
        tower_valve, tower_bypass, next((b.via[0] for b in chilled.bypasses if b.via and not b.either_way), ""),
    )


def _train(sizes: Sizes, chiller: str, branch: tuple[Port, ...], condenser: Loop) -> TrainLayout:
    ports = list(branch)
    for stage in condenser.stages_of("chiller"):
        for other in stage.branches:
            if any(port.equipment == chiller for port in other):
                ports += other
    return TrainLayout(
        chiller,
        tuple(port.equipment for port in ports if sizes.role(port) == "valve"),
        tuple(port.equipment for port in ports if sizes.role(port) == "pump"),
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
