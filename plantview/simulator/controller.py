"""The building controller of the simulated plant, as a good contractor would have programmed it."""

from __future__ import annotations

import math
from typing import Final

from plantview.simulator.constants import SHUT_PCT
from plantview.simulator.economiser import Economiser
from plantview.simulator.headpressure import HeadPressure
from plantview.simulator.layout import Layout
from plantview.simulator.machines import Machines
from plantview.simulator.outputs import Outputs
from plantview.simulator.pi import PiLoop
from plantview.simulator.pumping import Header, flow_loop, pressure_loop
from plantview.simulator.rejection import COLDEST_C, FREE_COOLING_COLDEST_C, Rejection
from plantview.simulator.reset import Reset
from plantview.simulator.staging import Staging
from plantview.simulator.trains import Train

PRESSURE_SHARE: Final = 0.8
"""Setpoint of the pressure difference over the coils, as a share of its design."""
PRECOOL_K: Final = 0.8
"""While a machine joins or leaves, the others make their water so much colder."""
LEAST_FLOW_MARGIN: Final = 1.08
"""Chillers are kept this far above their minimum flow."""


class Controller:
    """Staging, pumps, towers, coils and setpoints."""

    def __init__(self, layout: Layout, machines: Machines, outputs: Outputs, design_dp_kpa: float) -> None:
        self.layout = layout
        self.machines = machines
        self.outputs = outputs
        self.trains = [Train(item, machines, outputs) for item in layout.trains]
        self.staging = Staging(self.trains)
        self.rejection = Rejection(layout, machines, outputs)
        self.economiser = Economiser(layout, machines, outputs)
        self.head_pressure = HeadPressure(self.trains)
        self.headers = [Header(group, machines, outputs) for group in layout.groups]
        self.setpoint_c = self.trains[0].chiller.rating.chws_c
        self._own_setpoint_c = self.setpoint_c
        self._own_dp_kpa = float(round(PRESSURE_SHARE * design_dp_kpa))
        self.dp_setpoint_kpa = self._own_dp_kpa
        # a plant with an economiser makes its supply as warm as the coils allow: that is when it pays
        self._reset = Reset() if layout.exchanger else None
        self._pressure = pressure_loop()
        self._flow = flow_loop()
        self._coils = {coil: PiLoop(2.5, 90.0, (0.0, 100.0), 60.0) for coil in layout.coil_valves}
        self._least_flow = PiLoop(60.0, 120.0, (0.0, 100.0), 0.0)
        chilled = {id(pump) for branch in machines.circuits[layout.chilled].branches for pump in branch.pumps}
        self._chilled_pumps = {name for name, pump in machines.pumps.items() if id(pump) in chilled}
        self._shares_pump = not any(group.serves_coils and not group.serves_chillers for group in layout.groups)

    def run_at_once(self) -> None:
        """Put the plant into the stage that its load asks for, all machines turning."""
        self.staging.start_with(sum(self.machines.coil_loads_kw.values()))
        for header in self.headers:
            speed = 90.0 if header.group.serves_chillers else 75.0
            header.run_at_once(min(self.staging.count, len(header.group.pumps)), speed)
        self.economiser.run_at_once()
        self.rejection.run_at_once()
        for coil, valve in self.layout.coil_valves.items():
            self.machines.valves[valve].position_pct = self._coils[coil].output

    def step(self, dt_s: float) -> None:
        """Read the plant, decide, drive."""
        self._setpoints(dt_s)
        chilled = self.machines.circuits[self.layout.chilled]
        supply_c = chilled.by_name[self.layout.coil_ends[0]].temp_c
        self.staging.step(dt_s, supply_c - self.setpoint_c, self._distribution_share())
        for train in self.trains:
            train.joins_others = any(other.running for other in self.trains if other is not train)
        for train in self.trains:
            train.step(dt_s)
        self.head_pressure.step(dt_s)
        self._isolate()
        wet = [train for train in self.trains if train.needs_water]
        self._pumps(dt_s, wet)
        wanted = [train for train in self.trains if train.wanted]
        self.economiser.step(dt_s, bool(wet), (self.setpoint_c, supply_c), self._lift_floor_c(wet), len(wanted) == 1)
        for train in self.trains:
            train.resting = self.economiser.alone
        self.rejection.step(dt_s, bool(wet), self._coldest_c(wet))
        self._coil_valves(dt_s, wet)

    def _coldest_c(self, wet: list[Train]) -> float:
        """Return the coldest condenser water that the towers may make."""
        if not self.economiser.on:
            return COLDEST_C
        if self.economiser.alone or self.economiser.expects_to_carry(self.setpoint_c):
            return FREE_COOLING_COLDEST_C
        return min(max(FREE_COOLING_COLDEST_C, self._lift_floor_c(wet)), COLDEST_C)

    def _lift_floor_c(self, wet: list[Train]) -> float:
        """Return how cold the condenser water may become before a running machine lacks lift."""
        return max((self.head_pressure.coldest_c(train) for train in wet if train.running), default=-math.inf)

    def _isolate(self) -> None:
        """Drive the isolation valves; chillers in series share theirs."""
        opened = {
            name
            for train in self.trains
            if train.wants_open
            for name in (train.layout.chw_valves if train.rests else train.layout.valves)
        }
        for train in self.trains:
            for name in train.layout.valves:
                limit = train.creep_pct if name in train.layout.chw_valves else self.head_pressure.limit_pct(name)
                own = limit if name in opened else 0.0
                self.machines.valves[name].command_pct = self.outputs.drive(f"{name}.command", own)

    def _setpoints(self, dt_s: float) -> None:
        drive, layout = self.outputs.drive, self.layout
        warmer_k, share = 0.0, 1.0
        if self._reset:
            self._reset.step(dt_s, [self.machines.valves[name].position_pct for name in layout.coil_valves.values()])
            warmer_k, share = self._reset.warmer_k(), self._reset.pressure_share()
        self.setpoint_c = drive(f"{layout.supply}.setpoint", self._own_setpoint_c + warmer_k)
        self.dp_setpoint_kpa = drive(f"{layout.coil_ends[0]}.dp_setpoint", float(round(self._own_dp_kpa * share)))
        for train in self.trains:
            chiller = train.chiller
            colder_k = PRECOOL_K if any(other.changing for other in self.trains if other is not train) else 0.0
            chiller.setpoint_c = drive(f"{train.id}.setpoint", round(self.setpoint_c - colder_k, 2))
            chiller.demand_limit_pct = drive(f"{train.id}.demand_limit", 100.0)

    def _distribution_share(self) -> float:
        """Return the buildings' flow over the design flow of the running chillers; 0 where one pump serves both."""
        if self._shares_pump:
            return 0.0
        taken = sum(coil.water.flow for coil in self.machines.coils.values())
        given = sum(train.chiller.evaporator.design_flow for train in self.trains if train.running)
        return taken / given if given else 0.0

    def _pumps(self, dt_s: float, wet: list[Train]) -> None:
        chilled = self.machines.circuits[self.layout.chilled]
        near, far = (chilled.by_name[name] for name in self.layout.coil_ends)
        dp_error = self.dp_setpoint_kpa - (near.pressure_kpa - far.pressure_kpa)
        if wet:
            self._pressure.step(dp_error, dt_s)
            self._flow.step(self._condenser_shortage(wet), dt_s)
        for header in self.headers:
            self._header(header, dt_s, wet)
        wanted = {name for train in wet for name in train.layout.own_pumps}
        for train in self.trains:
            for name in train.layout.own_pumps:
                pump = self.machines.pumps[name]
                pump.command = self.outputs.drive(f"{name}.command", float(name in wanted)) > 0.5
                in_chilled = self._shares_pump and name in self._chilled_pumps
                own = self._pressure.output if in_chilled else 100.0
                pump.speed_command_pct = self.outputs.drive(f"{name}.speed_command", own) if pump.variable else 100.0

    def _header(self, header: Header, dt_s: float, wet: list[Train]) -> None:
        group = header.group
        if group.serves_chillers:
            in_condenser = group.loop == self.layout.condenser
            served = sum(not train.rests for train in wet) if in_condenser else len(wet)
            header.count = min(served + (in_condenser and self.economiser.on), len(group.pumps))
        else:
            header.stage_by_flow(dt_s, bool(wet))
        if group.serves_coils:
            speed = self._pressure.output
        else:
            speed = self._flow.output if group.loop == self.layout.condenser else 100.0
        header.step(dt_s, speed)

    def _condenser_shortage(self, wet: list[Train]) -> float:
        """Return how far the mean condenser flow is below its design, as a share of it."""
        open_now = [
            train.chiller.condenser
            for train in wet
            if train.chiller.condenser.flow > 0 and not self.head_pressure.throttles(train)
        ]
        if self.economiser.on and self.layout.exchanger:
            open_now.append(self.machines.exchangers[self.layout.exchanger.id].cool)
        if not open_now:
            return 0.0
        return 1 - sum(water.flow / water.design_flow for water in open_now) / len(open_now)

    def _coil_valves(self, dt_s: float, wet: list[Train]) -> None:
        floor = self._flow_floor(dt_s, wet)
        for name, valve in self.layout.coil_valves.items():
            coil, loop = self.machines.coils[name], self._coils[name]
            if wet:
                loop.step(coil.leaving_air_c - coil.air_setpoint_c, dt_s)
                loop.output = max(loop.output, floor)  # or the loop would wind down below its floor
            self.machines.valves[valve].command_pct = self.outputs.drive(f"{valve}.command", max(loop.output, SHUT_PCT))
        bypass = self.layout.least_flow_bypass
        if bypass:
            self.machines.valves[bypass].command_pct = self.outputs.drive(f"{bypass}.command", self._least_flow.output)

    def _flow_floor(self, dt_s: float, wet: list[Train]) -> float:
        """Hold the chillers' minimum flow by the bypass; without one, by how far the coil valves may close."""
        flowing = [train.chiller for train in wet if train.chiller.evaporator.flow > 0]
        if not self._shares_pump or not flowing:
            self._least_flow.rest(0.0)
            return 0.0
        shortage = max(LEAST_FLOW_MARGIN - item.evaporator.flow / item.rating.least_chw_flow for item in flowing)
        held = self._least_flow.step(shortage, dt_s)
        return 0.0 if self.layout.least_flow_bypass else held
