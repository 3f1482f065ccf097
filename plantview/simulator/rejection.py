"""Holds the condenser water: cells by flow, then the bypass, then the fans, in sequence."""

from __future__ import annotations

from typing import Final

from plantview.simulator.fansequence import FanSequence
from plantview.simulator.layout_towers import TowerLayout
from plantview.simulator.machines import Machines
from plantview.simulator.outputs import Outputs
from plantview.simulator.pi import PiLoop

APPROACH_K: Final = 4.5
"""The setpoint follows the wet bulb at this distance: the fans reach it at about two thirds of their speed."""
COLDEST_C: Final = 21.5
WARMEST_C: Final = 29.0
"""The range over which the chillers' published curves were validated."""
FREE_COOLING_COLDEST_C: Final = 5.5
"""With an economiser the towers make water as cold as the weather gives, short of ice."""
SETPOINT_LAG_S: Final = 1_200.0
CHANGEOVER_LAG_S: Final = 300.0


class Rejection:
    """Cells, tower bypass and fans of one condenser water loop."""

    def __init__(self, layout: TowerLayout, machines: Machines, outputs: Outputs, sequence: str = "") -> None:
        self.layout = layout
        self._machines = machines
        self._cells_here = {name: machines.cells[name] for name in layout.cells}
        self._fans_here = [fan for cell in self._cells_here.values() for fan in cell.fans]
        self._fans = FanSequence(self._cells_here, sequence)
        self._outputs = outputs
        self._own_setpoint_c = 26.0
        # 0..100 opens the tower and shuts the bypass, 100..200 is fan speed
        self._loop = PiLoop(8.0, 240.0, (0.0, 200.0), 160.0)
        self._fan_names = {id(fan): name for name, fan in machines.fans.items()}
        self._open: list[str] = []
        self.setpoint_c = self._own_setpoint_c

    def run_at_once(self) -> None:
        """Put running towers into a warm plant."""
        self._fans.on = True
        for name, cell in self._cells_here.items():
            for valve in (cell.isolation, *(self._machines.valves[item] for item in self.layout.cell_valves[name])):
                valve.position_pct = 100.0
        if self.layout.valve:
            self._machines.valves[self.layout.valve].position_pct = 100.0
        for fan in self._fans_here:
            fan.speed_pct = 60.0

    def step(self, dt_s: float, water_moves: bool, coldest_c: float) -> None:
        """Hold the leaving tower water while condenser water moves."""
        cws = self._machines.circuits[self.layout.loop].by_name[self.layout.cws]
        aim = min(max(self._machines.air.wet_bulb_c + APPROACH_K, coldest_c), WARMEST_C)
        lag_s = CHANGEOVER_LAG_S if coldest_c < COLDEST_C else SETPOINT_LAG_S
        self._own_setpoint_c += (aim - self._own_setpoint_c) * min(dt_s / lag_s, 1.0)
        self.setpoint_c = self._outputs.drive(f"{self.layout.cws}.setpoint", round(self._own_setpoint_c, 1))
        error = cws.temp_c - self.setpoint_c
        if water_moves:
            demand = self._loop.step(error, dt_s)
        else:
            self._loop.rest(100.0)
            demand = 100.0
        self._cells(water_moves)
        self._bypass(min(demand, 100.0))
        self._fans.step(max(demand - 100.0, 0.0), error, self._open if water_moves else [], dt_s)
        self._drive_fans()

    def _cells(self, water_moves: bool) -> None:
        """Open as many cells as their minimum flow allows: the most surface for the least fan."""
        cells = self._cells_here
        total = sum(cell.flow for cell in cells.values())
        allowed = total / max(max((cell.least_flow for cell in cells.values()), default=1.0), 1.0)
        count = len(self._open)
        if not water_moves:
            count = 0
        elif count == 0:
            count = 1
        elif allowed > 0.97 * (count + 1) and count < len(cells):
            count += 1
        elif allowed < 0.9 * count and count > 1:
            count -= 1
        self._open = list(cells)[:count]
        for name, cell in cells.items():
            own = float(name in self._open)
            cell.isolation.command_pct = 100 * self._outputs.drive(f"{name}.isolation_valve_command", own)
            for valve in self.layout.cell_valves[name]:
                self._machines.valves[valve].command_pct = self._outputs.drive(f"{valve}.command", 100 * own)

    def _bypass(self, tower_pct: float) -> None:
        valves, layout = self._machines.valves, self.layout
        if not layout.bypass:
            return
        bypass_pct = self._outputs.drive(f"{layout.bypass}.command", 100.0 - tower_pct)
        valves[layout.bypass].command_pct = bypass_pct
        if layout.valve:
            valves[layout.valve].command_pct = self._outputs.drive(f"{layout.valve}.command", 100.0 - bypass_pct)

    def _drive_fans(self) -> None:
        for fan in self._fans_here:
            name = self._fan_names[id(fan)]
            wanted, speed = self._fans.wanted(fan)
            fan.command = self._outputs.drive(f"{name}.command", float(wanted)) > 0.5
            fan.speed_command_pct = self._outputs.drive(f"{name}.speed_command", speed)
