"""Holds the condenser water: cells by flow, then the bypass, then the fans, in sequence."""

from __future__ import annotations

from typing import Final

from plantview.simulator.layout import Layout
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
FANS_OFF_K: Final = 0.56
FANS_OFF_S: Final = 300.0
FANS_REST_S: Final = 60.0
SETPOINT_LAG_S: Final = 1_200.0
CHANGEOVER_LAG_S: Final = 300.0


class Rejection:
    """Cells, tower bypass and fans of one plant."""

    def __init__(self, layout: Layout, machines: Machines, outputs: Outputs) -> None:
        self._layout = layout
        self._machines = machines
        self._outputs = outputs
        self._own_setpoint_c = 26.0
        # 0..100 opens the tower and shuts the bypass, 100..200 is fan speed
        self._loop = PiLoop(8.0, 240.0, (0.0, 200.0), 160.0)
        self._fan_names = {id(fan): name for name, fan in machines.fans.items()}
        self._fans_on = False
        self._fans_s = FANS_REST_S
        self._open: list[str] = []
        self.setpoint_c = self._own_setpoint_c

    def run_at_once(self) -> None:
        """Put running towers into a warm plant."""
        self._fans_on = True
        for cell in self._machines.cells.values():
            cell.isolation.position_pct = 100.0
        for name in (self._layout.tower_valve,):
            if name:
                self._machines.valves[name].position_pct = 100.0
        for fan in self._machines.fans.values():
            fan.speed_pct = 60.0

    def step(self, dt_s: float, water_moves: bool, coldest_c: float) -> None:
        """Hold the leaving tower water while condenser water moves."""
        cws = self._machines.circuits[self._layout.condenser].by_name[self._layout.cws]
        aim = min(max(self._machines.air.wet_bulb_c + APPROACH_K, coldest_c), WARMEST_C)
        lag_s = CHANGEOVER_LAG_S if coldest_c < COLDEST_C else SETPOINT_LAG_S
        self._own_setpoint_c += (aim - self._own_setpoint_c) * min(dt_s / lag_s, 1.0)
        self.setpoint_c = self._outputs.drive(f"{self._layout.cws}.setpoint", round(self._own_setpoint_c, 1))
        error = cws.temp_c - self.setpoint_c
        if water_moves:
            demand = self._loop.step(error, dt_s)
        else:
            self._loop.rest(100.0)
            demand = 100.0
        self._cells(water_moves)
        self._bypass(min(demand, 100.0))
        self._fans(max(demand - 100.0, 0.0), error, water_moves, dt_s)

    def _cells(self, water_moves: bool) -> None:
        """Open as many cells as their minimum flow allows: the most surface for the least fan."""
        cells = self._machines.cells
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

    def _bypass(self, tower_pct: float) -> None:
        valves, layout = self._machines.valves, self._layout
        if not layout.tower_bypass:
            return
        bypass_pct = self._outputs.drive(f"{layout.tower_bypass}.command", 100.0 - tower_pct)
        valves[layout.tower_bypass].command_pct = bypass_pct
        if layout.tower_valve:
            valves[layout.tower_valve].command_pct = self._outputs.drive(
                f"{layout.tower_valve}.command", 100.0 - bypass_pct
            )

    def _fans(self, demand_pct: float, error_k: float, water_moves: bool, dt_s: float) -> None:
        self._fans_s += dt_s
        least = max((fan.min_speed_pct for fan in self._machines.fans.values()), default=20.0)
        idle = demand_pct <= least and error_k < -FANS_OFF_K
        if self._fans_on and not idle:
            self._fans_s = 0.0
        if self._fans_on and (not water_moves or self._fans_s >= FANS_OFF_S):
            self._fans_on, self._fans_s = False, 0.0
        elif not self._fans_on and water_moves and error_k > FANS_OFF_K and self._fans_s >= FANS_REST_S:
            self._fans_on, self._fans_s = True, 0.0
        for cell_name, cell in self._machines.cells.items():
            wet = cell_name in self._open
            for fan in cell.fans:
                name = self._fan_names[id(fan)]
                fan.command = self._outputs.drive(f"{name}.command", float(self._fans_on and wet)) > 0.5
                speed = max(demand_pct, fan.min_speed_pct) if fan.variable else 100.0
                fan.speed_command_pct = self._outputs.drive(f"{name}.speed_command", speed)
