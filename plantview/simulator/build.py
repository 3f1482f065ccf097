"""Makes the machines and loops of a simulated plant from its description."""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import Final

from plantview.model.plant import Bypass, Equipment, Loop, Plant, Port, Stage
from plantview.simulator import constants as c
from plantview.simulator.barrel import Tubes
from plantview.simulator.basin import Basin
from plantview.simulator.cell import Cell
from plantview.simulator.chiller import Chiller, Rating
from plantview.simulator.circuit import Branch, Circuit
from plantview.simulator.coil import Coil
from plantview.simulator.curves import SETS
from plantview.simulator.machines import Machines
from plantview.simulator.pump import Fan, Pump
from plantview.simulator.refrigerant import SATURATION
from plantview.simulator.sizing import MODELLED, Sizes
from plantview.simulator.tower import Cooling
from plantview.simulator.valve import Valve
from plantview.simulator.volume import Header, Volume
from plantview.simulator.water import density_kg_l, enthalpy_kj_kg, specific_heat

_START_C: Final = {"evaporator": 8.0, "condenser": 30.0, "coil": 12.0}
_HEADER_START_C: Final = {"chilled": 9.0, "condenser": 27.0}
BYPASS_BALANCE_KPA: Final = 60.0
"""Balancing valve of a bypass at its design flow: the tower's column and nozzles, or a building's circuit."""


def build(plant: Plant, seed: int) -> Machines:
    """Return the machines of a plant, at rest; ConfigError lists all that cannot be simulated."""
    return _Builder(plant, seed).machines


class _Builder:
    def __init__(self, plant: Plant, seed: int) -> None:
        self.plant = plant
        self.sizes = Sizes(plant)
        self.machines = Machines()
        self._source = random.Random(seed)
        self._volumes: dict[str, Volume] = {}
        self._refuse_unmodelled()
        for loop in plant.loops.values():
            for stage in loop.stages:
                for port in stage.ports():
                    self._machine(port, loop)
            for bypass in loop.bypasses:
                for valve in bypass.via:
                    self._valve(plant.equipment[valve], loop, equal_percentage=False)
        self.sizes.refuse()
        for chiller in plant.of_kind("chiller"):
            self._chiller(chiller)
        self.sizes.refuse()
        for loop in plant.loops.values():
            self._circuit(loop)
        self.sizes.refuse()

    # --- refusal ------------------------------------------------------------------------
    def _refuse_unmodelled(self) -> None:
        for loop in self.plant.loops.values():
            if loop.fluid not in {"", "water"}:
                self.sizes.lack(f"loops.{loop.id}", f"the simulator knows water, not {loop.fluid}", 'simulate it with fluid = "water"')
            for stage in loop.stages:
                for port in stage.ports():
                    kind = self.plant.equipment[port.equipment].kind
                    if kind not in MODELLED or port.side == "recovery":
                        self.sizes.lack(
                            f"equipment.{port.equipment}", f"the simulator does not know a {kind.replace('_', ' ')} {port.side}".rstrip(),
                            "leave it out of the plant that is simulated",
                        )
        for item in self.plant.of_kind("chiller"):
            ports = {port.side for loop in self.plant.loops.values() for stage in loop.stages for port in stage.ports()
                     if port.equipment == item.id}
            if not {"evaporator", "condenser"} <= ports:
                self.sizes.lack(f"equipment.{item.id}", "the simulator needs both its evaporator and its condenser in a loop",
                                "give it a condenser water loop")
        for key in ("dry_bulb_mean", "dry_bulb_swing", "dew_point", "load_low", "load_high", "peak_hour"):
            if key not in self.plant.simulation:
                self.sizes.lack("simulation", f"a simulated plant needs {key}", f"add {key} to [simulation]")
        self.sizes.refuse()

    # --- machines -----------------------------------------------------------------------
    def _hours(self) -> float:
        return round(self._source.uniform(2_000, 9_000))

    def _machine(self, port: Port, loop: Loop) -> None:
        equipment = self.plant.equipment[port.equipment]
        role = self.sizes.role(port)
        if role in _START_C:
            self._volumes[str(port)] = Volume(self.sizes.flow(port, loop), enthalpy_kj_kg(_START_C[role]))
        if role == "valve":
            self._valve(equipment, loop, equal_percentage=loop.water == "chilled" and self._beside_coil(port, loop))
        elif role == "pump":
            self._pump(equipment, port, loop)
        elif role == "coil":
            self._coil(equipment, port, loop)
        elif role == "tower_cell":
            self._cell(equipment, port, loop)

    @staticmethod
    def _beside_coil(port: Port, loop: Loop) -> bool:
        return any(stage.kind == "coil" and port in set(stage.ports()) for stage in loop.stages)

    def _valve(self, equipment: Equipment, loop: Loop, *, equal_percentage: bool) -> None:
        flow = self.sizes.flow(Port(equipment.id, ""), loop)
        open_k = self.sizes.dp(Port(equipment.id, "")) / flow**2
        self.machines.valves[equipment.id] = Valve(open_k, equipment.design.get("stroke_time", 60.0), equal_percentage)

    def _pump(self, equipment: Equipment, port: Port, loop: Loop) -> None:
        self.machines.pumps[equipment.id] = Pump(
            self.sizes.flow(port, loop), self.sizes.need(equipment, "head"), equipment.design.get("efficiency", 75.0) / 100,
            equipment.traits.get("drive", "").startswith("variable"), self._hours(),
        )

    def _coil(self, equipment: Equipment, port: Port, loop: Loop) -> None:
        need = self.sizes.need
        air = need(equipment, "entering_air_temp"), need(equipment, "leaving_air_temp")
        self.machines.coils[equipment.id] = Coil(
            need(equipment, "cooling_capacity"), self.sizes.flow(port, loop), need(equipment, "chws_temp"), air,
            self._volumes[str(port)],
        )

    def _cell(self, equipment: Equipment, port: Port, loop: Loop) -> None:
        need, flow = self.sizes.need, self.sizes.flow(port, loop)
        entering, leaving, wet_bulb = (need(equipment, key) for key in ("entering_temp", "leaving_temp", "wet_bulb"))
        fans = [self._fan(fan) for fan in self.plant.parts_of(equipment.id, "fan")]
        least = equipment.design.get("min_water_flow", 0.5 * equipment.design.get("water_flow", 1.0)) * density_kg_l(30.0)
        if self.sizes.problems:
            return
        self.machines.cells[equipment.id] = Cell(
            Cooling(flow, entering, leaving, wet_bulb), Valve(c.VALVE_DP_KPA / flow**2, 60.0, False), fans, least,
        )

    def _fan(self, equipment: Equipment) -> Fan:
        variable = equipment.traits.get("drive", "variable").startswith("variable")
        least = equipment.design.get("min_speed", 20.0 if variable else 100.0)
        fan = Fan(self.sizes.need(equipment, "power"), least, c.FAN_RAMP_PCT_S, variable, self._hours())
        self.machines.fans[equipment.id] = fan
        return fan

    def _chiller(self, equipment: Equipment) -> None:
        need = self.sizes.need
        capacity, power = need(equipment, "cooling_capacity"), need(equipment, "power")
        refrigerant, drive = equipment.traits.get("refrigerant", "R-134a"), equipment.traits.get("drive", "variable speed")
        if refrigerant not in SATURATION or drive not in SETS:
            known = SATURATION if refrigerant not in SATURATION else SETS
            self.sizes.lack(f"equipment.{equipment.id}", f"the simulator does not know {refrigerant} with {drive}",
                            f"use one of: {', '.join(known)}")
            return
        chws, cws, cwr = (need(equipment, key) for key in ("chws_temp", "cws_temp", "cwr_temp"))
        published = SETS[drive].scaled(capacity)
        ratio = power / published.power_kw(capacity, chws, cwr if published.leaving_condenser else cws)
        rho = density_kg_l(9.0)
        rating = Rating(
            capacity, power, chws, cwr - chws + 2.5, need(equipment, "min_chw_flow") * rho, need(equipment, "min_cw_flow") * rho,
            drive.startswith("variable"), refrigerant,
        )
        self.machines.chillers[equipment.id] = Chiller(
            rating, published.scaled(capacity, ratio), self._barrel(equipment, "evaporator", capacity),
            self._barrel(equipment, "condenser", capacity + power), self._hours(),
        )

    def _barrel(self, equipment: Equipment, side: str, heat_kw: float) -> tuple[Volume, Tubes]:
        volume = self._volumes[f"{equipment.id}.{side}"]
        rate = volume.design_flow * specific_heat(_START_C[side])
        approach = equipment.design.get("evap_approach" if side == "evaporator" else "cond_approach", 1.5)
        return volume, Tubes(heat_kw, rate, approach)

    # --- loops --------------------------------------------------------------------------
    def _circuit(self, loop: Loop) -> None:
        losses = self.sizes.pipe_losses(loop)
        index = {name: at for at, name in enumerate(loop.headers)}
        branches = [
            self._branch(loop, stage, number, (index[stage.start], index[stage.end]), losses.get(stage.id, 0.0))
            for stage in loop.stages for number in range(len(stage.branches))
        ]
        branches += [self._bypass(loop, bypass, (index[bypass.start], index[bypass.end])) for bypass in loop.bypasses]
        headers = self._headers(loop)
        datum = index[loop.open_header or loop.start]
        self.machines.circuits[loop.id] = Circuit(loop.water, headers, branches, datum, bool(loop.open_header))
        for item in self.plant.of_kind("basin"):
            if item.part_of in index:
                self._basin(item, loop, headers[index[item.part_of]])

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
        for port in ports:
            self._put(branch, port)
        return branch

    def _put(self, branch: Branch, port: Port) -> None:
        machines, name, role = self.machines, port.equipment, self.sizes.role(port)
        if role == "valve":
            branch.valves.append(machines.valves[name])
        elif role == "pump":
            branch.pumps.append(machines.pumps[name])
            branch.stations.append(machines.pumps[name])
        elif role == "tower_cell":
            branch.valves.append(machines.cells[name].isolation)
            branch.stations.append(machines.cells[name])
        else:
            branch.stations.append(self._volumes[str(port)])

    def _bypass(self, loop: Loop, bypass: Bypass, ends: tuple[int, int]) -> Branch:
        if bypass.via:
            flow = min(self.sizes.flow(Port(name, ""), loop) for name in bypass.via)
            fixed = BYPASS_BALANCE_KPA / flow**2
        else:
            fixed = c.DECOUPLER_DP_KPA / self._loop_flow(loop) ** 2
        branch = Branch(f"{loop.id}/{bypass.id}", ends, not bypass.either_way, fixed, 0.0)
        branch.bypass = True
        branch.valves += [self.machines.valves[name] for name in bypass.via]
        return branch

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

    def _basin(self, item: Equipment, loop: Loop, header: Header) -> None:
        self.machines.basins[item.id] = Basin(header, self.sizes.need(item, "level"), self._loop_flow(loop))
        falling = [stage for stage in loop.stages_of("tower_cell") if stage.end == header.name]
        self.machines.basin_cells[item.id] = [
            self.machines.cells[port.equipment] for stage in falling for port in stage.ports() if port.equipment in self.machines.cells
        ]
