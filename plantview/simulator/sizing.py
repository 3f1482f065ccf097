"""What the plant description says about size, and the pipe losses that follow from it.

Nobody writes pipe lengths into a plant description. What a pump's design head has left over
after the machines, valves and columns of its circuit is the loss of the pipes, and it goes to
the far end of that circuit: the buildings, else the towers and their riser, else the barrels.
"""

from __future__ import annotations

from typing import Final

from plantview.errors import ConfigError, Problem
from plantview.model.plant import Equipment, Loop, Plant, Port, Stage
from plantview.simulator.constants import PUMP_FITTINGS_SHARE, TANK_DP_KPA, TOWER_DP_KPA, VALVE_DP_KPA
from plantview.simulator.water import density_kg_l

_FLOW_KEY: Final = {
    "evaporator": "chw_flow",
    "condenser": "cw_flow",
    "tower_cell": "water_flow",
    "coil": "flow",
    "pump": "flow",
    "valve": "flow",
    "warm": "warm_flow",
    "cool": "cool_flow",
}
_DP_KEY: Final = {
    "evaporator": "evap_dp",
    "condenser": "cond_dp",
    "recovery": "cond_dp",
    "coil": "dp",
    "warm": "warm_dp",
    "cool": "cool_dp",
}
_ENDS: Final = (("coil",), ("tower_cell", "valve"), ("chiller",))


class Sizes:
    """Design data of a plant; gathers everything that is missing before it refuses."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.problems: list[Problem] = []

    def need(self, equipment: Equipment, key: str) -> float:
        """Return design data that cannot be guessed."""
        if key in equipment.design:
            return equipment.design[key]
        self.lack(
            f"equipment.{equipment.id}", f"the simulator needs its design {key}", f'add {key} = "…" with its unit'
        )
        return 1.0

    def lack(self, place: str, wrong: str, remedy: str, file: str = "plant.toml") -> None:
        """Note something that stands in the way."""
        self.problems.append(Problem(file, 0, place, wrong, remedy))

    def refuse(self) -> None:
        """Raise ConfigError if anything was noted."""
        if self.problems:
            raise ConfigError(self.plant.folder, self.problems)

    # --- ports -----------------------------------------------------------------------
    def role(self, port: Port) -> str:
        """Return the side that sizes a port: evaporator, condenser, or the kind of its equipment."""
        kind = self.plant.equipment[port.equipment].kind
        return port.side if kind in {"chiller", "heat_exchanger"} else kind

    def flow(self, port: Port, loop: Loop) -> float:
        """Return the design flow of a port in kg/s."""
        role = self.role(port)
        if role in {"recovery", "tank"}:  # nobody states these: what the pumps of their loop are made for
            litres = self._pumped(loop) / (1 if role == "tank" else self._count(loop, role))
        else:
            litres = self.need(self.plant.equipment[port.equipment], _FLOW_KEY[role])
        return litres * density_kg_l(30.0 if loop.water == "condenser" else 9.0)

    def dp(self, port: Port) -> float:
        """Return the loss of a port at its design flow, valves open, pumps left out."""
        equipment, role = self.plant.equipment[port.equipment], self.role(port)
        if role in _DP_KEY:
            return self.need(equipment, _DP_KEY[role])
        return {
            "valve": equipment.design.get("dp", VALVE_DP_KPA),
            "tower_cell": TOWER_DP_KPA,
            "tank": TANK_DP_KPA,
        }.get(role, 0.0)

    def _pumped(self, loop: Loop) -> float:
        """Return the largest design flow of a stage's pumps, in L/s."""
        pumps = [
            [self.need(self.plant.equipment[port.equipment], "flow") for port in self.pumps_of(stage)]
            for stage in loop.stages
        ]
        return max(map(sum, pumps), default=0.0) or 1.0

    def _count(self, loop: Loop, role: str) -> int:
        return sum(self.role(port) == role for stage in loop.stages for port in stage.ports())

    def fittings(self, port: Port) -> float:
        """Return strainer and check valve of a pump."""
        equipment = self.plant.equipment[port.equipment]
        return PUMP_FITTINGS_SHARE * self.need(equipment, "head") if equipment.kind == "pump" else 0.0

    # --- stages -----------------------------------------------------------------------
    def pumps_of(self, stage: Stage) -> list[Port]:
        """Return the pumps in a stage, headered or dedicated."""
        return [port for port in stage.ports() if self.plant.equipment[port.equipment].kind == "pump"]

    def circuit_of(self, loop: Loop, stage: Stage) -> list[Stage]:
        """Return the stages that the pumps of ``stage`` push water through, their own first."""
        turning = {end for bypass in loop.bypasses if bypass.either_way for end in (bypass.start, bypass.end)}
        found, at = [stage], stage.end
        while at not in turning:
            following = next((item for item in loop.stages if item.start == at), None)
            if following is None or following in found or self.pumps_of(following):
                break
            found.append(following)
            at = following.end
        return found

    def pipe_losses(self, loop: Loop) -> dict[str, float]:
        """Return stage id -> loss of the pipes in each of its branches at design flow [kPa]."""
        losses: dict[str, float] = {}
        for stage in loop.stages:
            pumps = self.pumps_of(stage)
            if not pumps:
                continue
            circuit = self.circuit_of(loop, stage)
            heads = [self.need(self.plant.equipment[port.equipment], "head") for port in pumps]
            used = sum(max(sum(map(self._loss, branch)) for branch in item.branches) for item in circuit)
            left = max(sum(heads) / len(heads) - used, 0.0)
            ends = self._far_end(circuit)
            for end in ends:
                losses[end.id] = losses.get(end.id, 0.0) + left / len(ends)
        return losses

    def _loss(self, port: Port) -> float:
        static = self.plant.equipment[port.equipment].design.get("static_lift", 0.0)
        return self.dp(port) + self.fittings(port) + static

    @staticmethod
    def _far_end(circuit: list[Stage]) -> list[Stage]:
        for kinds in _ENDS:
            ends = [stage for stage in circuit if stage.kind in kinds]
            if ends:
                return ends
        return circuit[:1]
