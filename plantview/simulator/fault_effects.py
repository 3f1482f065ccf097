"""What each kind of fault does to the machines, sensors and commands of a simulated plant."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from plantview.model.plant import Plant
from plantview.simulator.circuit import Branch
from plantview.simulator.claims import Claims, Release
from plantview.simulator.fault_kinds import SWAPPED, WRONG_PIPE
from plantview.simulator.faults import Fault
from plantview.simulator.machines import Machines
from plantview.simulator.outputs import Outputs
from plantview.simulator.panel import TRIPPED
from plantview.simulator.sensors import Sensor

PLUGGED_UA_SHARE: Final = 0.8
"""Plugged tubes take so much of their share of the heat transfer: the others carry faster water."""
PLUGGED_FLOW_SHARE: Final = 0.12
"""And so much of their share of the flow (RP-1043: 45 % plugged, 4 to 5 % less flow, from memory)."""


@dataclass(slots=True)
class World:
    """Everything that a fault may lay hands on."""

    plant: Plant
    machines: Machines
    sensors: Mapping[str, Sensor]
    outputs: Outputs
    claims: Claims = field(default_factory=Claims)

    def branch_of(self, port: str) -> Branch:
        """Return the branch in which a machine or one of its sides stands."""
        for loop in self.plant.loops.values():
            for stage in loop.stages:
                for number, branch in enumerate(stage.branches):
                    if any(port in {str(item), item.equipment} for item in branch):
                        return self.machines.circuits[loop.id].by_key[f"{loop.id}/{stage.id}/{number}"]
        raise KeyError(port)

    def measured_air_c(self) -> float:
        """Return the air of the machine room, a little warmer than outside."""
        return self.machines.air.dry_bulb_c + 3.0


Effect = Callable[[World, Fault], list[Release]]


def _set(find: Callable[[World, str], object], attribute: str, value: Callable[[float], object]) -> Effect:
    """Return an effect that claims one attribute of what ``find`` finds."""
    return lambda world, fault: [world.claims.claim(find(world, fault.target), attribute, value(fault.amount))]


def _pump(world: World, name: str) -> object:
    return world.machines.pumps[name]


def _drive(world: World, name: str) -> object:
    return world.machines.drives()[name]


def _chiller(world: World, name: str) -> object:
    return world.machines.chillers[name]


def _condition(world: World, name: str) -> object:
    return world.machines.chillers[name].condition


def _condenser(world: World, name: str) -> object:
    return world.machines.chillers[name].condenser_tubes


def _sensor(world: World, name: str) -> object:
    return world.sensors[name]


def _throttle(side: str) -> Effect:
    """Return an effect that takes a share of the flow of a branch, by resistance."""

    def effect(world: World, fault: Fault) -> list[Release]:
        branch = world.branch_of(fault.target + side)
        return [world.claims.claim(branch, "plugged", fault.amount)]

    return effect


def _plugged_tubes(world: World, fault: Fault) -> list[Release]:
    branch = world.branch_of(f"{fault.target}.condenser")
    return [
        world.claims.claim(_condenser(world, fault.target), "fouling", PLUGGED_UA_SHARE * fault.amount),
        world.claims.claim(branch, "plugged", PLUGGED_FLOW_SHARE * fault.amount),
    ]


def _isolated(world: World, fault: Fault) -> list[Release]:
    return [world.claims.claim(world.branch_of(fault.target), "blocked", value=True)]


def _passing_check(world: World, fault: Fault) -> list[Release]:
    return [world.claims.claim(world.branch_of(fault.target), "check_passes", value=True)]


def _stuck_valve(world: World, fault: Fault) -> list[Release]:
    valve = world.machines.valves[fault.target]
    return [world.claims.claim(valve, "stuck_pct", valve.position_pct if fault.amount < 0 else fault.amount)]


def _passing_bypass(world: World, fault: Fault) -> list[Release]:
    bypasses = [item for loop in world.plant.loops.values() for item in loop.bypasses if item.id == fault.target]
    return [world.claims.claim(world.machines.valves[name], "leak_pct", fault.amount) for name in bypasses[0].via]


def _cold_air(world: World, fault: Fault) -> list[Release]:
    coil = world.machines.coils[fault.target]
    return [world.claims.claim(coil, "air_setpoint_c", coil.air_setpoint_c - fault.amount)]


def _switch(*, closed: bool) -> Effect:
    def effect(world: World, fault: Fault) -> list[Release]:
        name, _, proof = fault.target.rpartition(".")
        chiller = world.machines.chillers[name]
        switch = chiller.chw_switch if proof == "chw_flow_proof" else chiller.cw_switch
        return [world.claims.claim(switch, "held", closed)]

    return effect


def _taken_for(partners: Mapping[str, str], *, both: bool) -> Effect:
    """Return an effect in which a sensor reads what its neighbour should, and the neighbour in turn."""

    def effect(world: World, fault: Fault) -> list[Release]:
        equipment, _, measurement = fault.target.rpartition(".")
        other = f"{equipment}.{partners[measurement]}"
        if other not in world.sensors:
            return []
        mine, theirs = world.sensors[fault.target], world.sensors[other]
        here, there = mine.own_truth, theirs.own_truth
        releases = [world.claims.claim(mine, "truth", there)]
        return [*releases, world.claims.claim(theirs, "truth", here)] if both else releases

    return effect


def _in_room(world: World, fault: Fault) -> list[Release]:
    sensor = world.sensors[fault.target]
    own = sensor.own_truth
    share = fault.amount
    return [world.claims.claim(sensor, "truth", lambda: (1 - share) * own() + share * world.measured_air_c())]


def _roll_over(world: World, fault: Fault) -> list[Release]:
    world.sensors[fault.target].set_register(left=fault.amount)
    return []


def _replaced(world: World, fault: Fault) -> list[Release]:
    world.sensors[fault.target].set_register(left=None)
    return []


def _drifting(world: World, fault: Fault) -> list[Release]:
    sensor = world.sensors[fault.target]
    return [sensor.forget_drift, world.claims.claim(sensor, "drift_per_h", fault.amount)]


def _held(world: World, fault: Fault) -> list[Release]:
    canonical = world.sensors[fault.target].scale.canonical(fault.amount)
    world.outputs.override(fault.target, canonical)
    return [lambda: world.outputs.override(fault.target, None)]


def _changed(world: World, fault: Fault) -> list[Release]:
    canonical = world.sensors[fault.target].scale.canonical(fault.amount)
    world.outputs.change_own(fault.target, canonical)
    return [lambda: world.outputs.change_own(fault.target, None)]


def _yes(_: float) -> bool:
    return True


def _same(amount: float) -> float:
    return amount


EFFECTS: Final[dict[str, Effect]] = {
    "pump-trip": _set(_pump, "tripped", _yes),
    "fan-trip": _set(_drive, "tripped", _yes),
    "drive-in-hand": _set(_drive, "hand_pct", _same),
    "drive-off-at-switch": _set(_drive, "hand_pct", lambda _: 0.0),
    "pump-worn": _set(_pump, "wear", _same),
    "strainer-plugged": _throttle(""),
    "check-valve-passing": _passing_check,
    "fan-belt-slipping": _set(lambda world, name: world.machines.fans[name], "slip", _same),
    "cell-isolated": _isolated,
    "fill-scaled": _set(lambda world, name: world.machines.cells[name], "scaled", _same),
    "valve-stuck": _stuck_valve,
    "valve-leaking": _set(lambda world, name: world.machines.valves[name], "leak_pct", _same),
    "bypass-passing": _passing_bypass,
    "makeup-shut": _set(lambda world, name: world.machines.basins[name], "makeup_shut", _yes),
    "basin-heater-dead": _set(lambda world, name: world.machines.basins[name], "heater_broken", _yes),
    "blowdown-stuck-open": _set(lambda world, name: world.machines.basins[name], "blowdown_stuck", _yes),
    "air-bound-coil": _throttle(".coil"),
    "coil-fouled": _set(lambda world, name: world.machines.coils[name], "fouling", _same),
    "low-delta-t": _cold_air,
    "exchanger-fouled": _set(lambda world, name: world.machines.exchangers[name], "fouling", _same),
    "fouled-condenser": _set(_condenser, "fouling", _same),
    "fouled-evaporator": _set(lambda world, name: world.machines.chillers[name].evaporator_tubes, "fouling", _same),
    "condenser-tubes-plugged": _plugged_tubes,
    "refrigerant-leak": _set(_condition, "charge", lambda lost: 1 - lost),
    "overcharge": _set(_condition, "charge", lambda more: 1 + more),
    "non-condensables": _set(_condition, "foreign_gas_pct", _same),
    "excess-oil": _set(_condition, "oil_excess", _same),
    "low-condenser-flow": _throttle(".condenser"),
    "low-evaporator-flow": _throttle(".evaporator"),
    "chiller-trip": _set(lambda world, name: world.machines.chillers[name].panel, "tripped", lambda _: TRIPPED),
    "panel-in-local": _set(_chiller, "local", _yes),
    "flow-switch-open": _switch(closed=False),
    "flow-switch-bridged": _switch(closed=True),
    "stuck-sensor": _set(_sensor, "stuck", _yes),
    "sensor-bias": _set(_sensor, "bias_reported", _same),
    "sensor-drift": _drifting,
    "sensor-noisy": _set(_sensor, "noise_reported", _same),
    "sensor-broken": _set(_sensor, "broken", _yes),
    "sensors-swapped": _taken_for(SWAPPED, both=True),
    "sensor-in-wrong-pipe": _taken_for(WRONG_PIPE, both=False),
    "sensor-in-wrong-unit": _set(_sensor, "wrong_unit", _yes),
    "sensor-not-in-well": _in_room,
    "wrong-ct-ratio": _set(_sensor, "factor", _same),
    "meter-rolls-over": _roll_over,
    "meter-replaced": _replaced,
    "setpoint-changed": _changed,
    "override-left": _held,
}
"""Kinds that are not here befall a device and are its own affair."""


class Breakage:
    """The faults of a plant: applies each when its time comes and takes it back when it is over."""

    def __init__(self, world: World) -> None:
        self._world = world
        self.faults: list[Fault] = []
        self._active: dict[int, list[Release]] = {}

    def add(self, fault: Fault) -> None:
        """Take on a fault."""
        self.faults.append(fault)

    def lift(self, fault: Fault) -> None:
        """Take a fault back, whether its time is over or not."""
        self.faults = [item for item in self.faults if item is not fault]
        self._release(id(fault))

    def step(self, now_ms: int) -> None:
        """Begin and end what is due."""
        for fault in self.faults:
            active, key = fault.active(now_ms), id(fault)
            if active and key not in self._active:
                effect = EFFECTS.get(fault.kind)
                self._active[key] = effect(self._world, fault) if effect else []
            elif not active:
                self._release(key)

    def _release(self, key: int) -> None:
        for release in reversed(self._active.pop(key, [])):
            release()
