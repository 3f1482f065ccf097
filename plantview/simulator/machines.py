"""All steel of a simulated plant, by the ids of the plant description."""

from __future__ import annotations

from dataclasses import dataclass, field

from plantview.simulator.basin import Basin
from plantview.simulator.cell import Cell
from plantview.simulator.chiller import Chiller
from plantview.simulator.circuit import Circuit
from plantview.simulator.coil import Coil
from plantview.simulator.exchanger import Exchanger
from plantview.simulator.pump import Drive, Fan, Pump
from plantview.simulator.run import Run
from plantview.simulator.valve import Valve
from plantview.simulator.weather import Air


@dataclass(slots=True)
class Machines:
    """Machines and loops; ``air`` and ``coil_loads_kw`` are what the site does to them."""

    pumps: dict[str, Pump] = field(default_factory=dict)
    fans: dict[str, Fan] = field(default_factory=dict)
    valves: dict[str, Valve] = field(default_factory=dict)
    chillers: dict[str, Chiller] = field(default_factory=dict)
    exchangers: dict[str, Exchanger] = field(default_factory=dict)
    cells: dict[str, Cell] = field(default_factory=dict)
    coils: dict[str, Coil] = field(default_factory=dict)
    tanks: dict[str, Run] = field(default_factory=dict)
    basins: dict[str, Basin] = field(default_factory=dict)
    basin_cells: dict[str, list[Cell]] = field(default_factory=dict)
    basin_loops: dict[str, str] = field(default_factory=dict)
    """Basin -> the loop whose water it holds; a spray basin holds its own."""
    circuits: dict[str, Circuit] = field(default_factory=dict)
    air: Air = field(default_factory=lambda: Air(25.0, 20.0, 60.0, 101.0))
    coil_loads_kw: dict[str, float] = field(default_factory=dict)
    """What the building asks of each coil."""

    def drives(self) -> dict[str, Drive]:
        """Return pumps and fans."""
        return {**self.pumps, **self.fans}

    def step(self, dt_s: float) -> None:
        """Let the physics move on by at most STEP_S_MAX."""
        for valve in self.valves.values():
            valve.move(dt_s)
        for pump in self.pumps.values():
            pump.turn(dt_s)
        for fan in self.fans.values():
            fan.turn(dt_s)
            fan.work()
            fan.count(dt_s)
        self._cells(dt_s)
        for circuit in self.circuits.values():
            circuit.flow_step()
        self._heat(dt_s)
        for pump in self.pumps.values():
            pump.count(dt_s)

    def _cells(self, dt_s: float) -> None:
        wet_bulb_c = self.air.wet_bulb_c
        for cell in self.cells.values():
            cell.isolation.move(dt_s)
            cell.wet_bulb_c = wet_bulb_c

    def _heat(self, dt_s: float) -> None:
        for chiller in self.chillers.values():
            chiller.outdoor_c = self.air.dry_bulb_c
            chiller.step(dt_s)
        for exchanger in self.exchangers.values():
            exchanger.step()
        for name, coil in self.coils.items():
            coil.load_kw = self.coil_loads_kw.get(name, 0.0)
            coil.step(dt_s)
        for circuit in self.circuits.values():
            circuit.heat_step(dt_s)
        for name, basin in self.basins.items():
            cells = self.basin_cells[name]
            flow, heat = sum(cell.flow for cell in cells), sum(cell.flow * cell.range_k for cell in cells)
            basin.step(flow, heat, self.air.dry_bulb_c, dt_s)
