"""Pipes the machines of a simulated plant together: headers, branches, bypasses, basins."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from plantview.model.plant import Bypass, Equipment, Loop, Port, Stage
from plantview.simulator import constants as c
from plantview.simulator.basin import Basin
from plantview.simulator.circuit import Branch, Circuit
from plantview.simulator.diverting import Diverting
from plantview.simulator.machines import Machines
from plantview.simulator.run import Run
from plantview.simulator.sizing import Sizes
from plantview.simulator.volume import Header, Volume
from plantview.simulator.water import enthalpy_kj_kg

_HEADER_START_C: Final = {"chilled": 9.0, "condenser": 27.0, "hot": 38.0}
BYPASS_BALANCE_KPA: Final = 60.0
"""Balancing valve of a bypass at its design flow: the tower's column and nozzles, or a building's circuit."""

EXCHANGER_BYPASS_KPA: Final = 25.0


class Piping:
    """Makes circuits out of loops; ``volumes`` are the barrels and coils by port."""

    def __init__(self, sizes: Sizes, machines: Machines, volumes: Mapping[str, Volume]) -> None:
        self.plant = sizes.plant
        self.sizes = sizes
        self.machines = machines
        self._volumes = volumes

    def connect(self, loop: Loop) -> None:
        """Add the circuit of a loop, and the basin on its open header, to the machines."""
        losses = self.sizes.pipe_losses(loop)
        index = {name: at for at, name in enumerate(loop.headers)}
        branches = [
            self._branch(loop, stage, number, (index[stage.start], index[stage.end]), losses.get(stage.id, 0.0))
            for stage in loop.stages
            for number in range(len(stage.branches))
        ]
        branches += [self._bypass(loop, bypass, (index[bypass.start], index[bypass.end])) for bypass in loop.bypasses]
        headers = self._headers(loop)
        datum = index[loop.open_header or loop.start]
        self.machines.circuits[loop.id] = Circuit(loop.water, headers, branches, datum, bool(loop.open_header))
        for item in self.plant.of_kind("basin"):
            if item.part_of in index:
                self._basin(item, loop, headers[index[item.part_of]])
            elif item.part_of in self._cells_of(loop):
                self._spray_basin(item, loop)

    def _branch(self, loop: Loop, stage: Stage, number: int, ends: tuple[int, int], pipe_kpa: float) -> Branch:
        ports = stage.branches[number]
        flows = [self.sizes.flow(port, loop) for port in ports]
        fixed = 0.0
        for port, flow in zip(ports, flows, strict=True):
            loss = self.sizes.fittings(port) + (0.0 if self.sizes.role(port) == "valve" else self.sizes.dp(port))
            fixed += loss / flow**2
        fixed += pipe_kpa / min(flows) ** 2
        static = sum(self.plant.equipment[port.equipment].design.get("static_lift", 0.0) for port in ports)
        one_way = any(self.sizes.role(port) in {"pump", "tower_cell"} for port in ports)
        branch = Branch(f"{loop.id}/{stage.id}/{number}", ends, one_way, fixed, static)
        kinds = {self.sizes.role(port) for port in ports}
        hold_s = c.RUN_HOLD_S if "coil" in kinds else c.RISER_HOLD_S if "tower_cell" in kinds else 0.0
        enthalpy = enthalpy_kj_kg(_HEADER_START_C.get(loop.water, 25.0))
        runs = [Run(hold_s * min(flows), enthalpy, c.RUN_LAYERS) for _ in range(2)] if hold_s else []
        branch.put(*runs[:1])
        branch.valves += [self.machines.valves[port.equipment] for port in ports if self.sizes.role(port) == "valve"]
        for port in ports:
            self._put(branch, port)
        branch.put(*runs[1:] if "coil" in kinds else [])
        return branch

    def _put(self, branch: Branch, port: Port) -> None:
        machines, name, role = self.machines, port.equipment, self.sizes.role(port)
        if role == "valve":
            return
        if role == "pump":
            branch.pumps.append(machines.pumps[name])
            branch.put(machines.pumps[name])
        elif role == "tower_cell":
            branch.valves.append(machines.cells[name].isolation)
            branch.put(machines.cells[name])
        elif role == "tank":
            branch.put(machines.tanks[name])
        elif role == "coil" and branch.valves and self._three_way(name):
            branch.put(Diverting(self._volumes[str(port)], branch.valves[-1]))
        else:
            branch.put(self._volumes[str(port)])

    def _three_way(self, coil: str) -> bool:
        return self.plant.equipment[coil].traits.get("valve", "").startswith("three")

    def _bypass(self, loop: Loop, bypass: Bypass, ends: tuple[int, int]) -> Branch:
        if bypass.via:
            flow = min(self.sizes.flow(Port(name, ""), loop) for name in bypass.via)
            fixed = self._balance_kpa(loop, bypass) / flow**2
        else:
            fixed = c.DECOUPLER_DP_KPA / self._loop_flow(loop) ** 2
        branch = Branch(f"{loop.id}/{bypass.id}", ends, not bypass.either_way, fixed, 0.0)
        branch.bypass = True
        branch.valves += [self.machines.valves[name] for name in bypass.via]
        return branch

    @staticmethod
    def _balance_kpa(loop: Loop, bypass: Bypass) -> float:
        """Return what the balancing valve holds: little beside one exchanger, much beside a building's circuit."""
        beside = any(
            (stage.start, stage.end) == (bypass.start, bypass.end) and stage.kind == "heat_exchanger"
            for stage in loop.stages
        )
        return EXCHANGER_BYPASS_KPA if beside else BYPASS_BALANCE_KPA

    def _loop_flow(self, loop: Loop) -> float:
        totals = [sum(self.sizes.flow(port, loop) for port in self.sizes.pumps_of(stage)) for stage in loop.stages]
        return max(totals)

    def _headers(self, loop: Loop) -> list[Header]:
        volumes: Mapping[str, float] = {
            item.part_of: self.sizes.need(item, "volume") * 1_000 for item in self.plant.of_kind("basin")
        }
        mains = {end for stage in loop.stages_of("coil") for end in (stage.start, stage.end)}
        flow, start = self._loop_flow(loop), enthalpy_kj_kg(_HEADER_START_C.get(loop.water, 25.0))
        held = {name: c.BUILDING_MAIN_HOLD_S if name in mains else c.PLANT_HEADER_HOLD_S for name in loop.headers}
        return [Header(name, volumes.get(name, flow * held[name]), start) for name in loop.headers]

    def _cells_of(self, loop: Loop) -> list[str]:
        ports = [port for stage in loop.stages_of("tower_cell") for port in stage.ports()]
        return [port.equipment for port in ports if port.equipment in self.machines.cells]

    def _basin(self, item: Equipment, loop: Loop, header: Header) -> None:
        """Put the water balance of all open cells of a loop on its open header, however far below them it stands."""
        self.machines.basins[item.id] = Basin(header, self.sizes.need(item, "level"), self._loop_flow(loop))
        self.machines.basin_loops[item.id] = loop.id
        self.machines.basin_cells[item.id] = [self.machines.cells[name] for name in self._cells_of(loop)]

    def _spray_basin(self, item: Equipment, loop: Loop) -> None:
        """Give a closed-circuit cell the water that is sprayed over its coil: never that of the loop."""
        cell = self.machines.cells[item.part_of]
        kg = self.sizes.need(item, "volume") * 1_000
        flow = self.sizes.flow(Port(item.part_of, ""), loop)
        spray = Header(item.id, kg, enthalpy_kj_kg(_HEADER_START_C["condenser"]))
        self.machines.basins[item.id] = Basin(spray, self.sizes.need(item, "level"), flow)
        self.machines.basin_cells[item.id] = [cell]
