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

    def __init__(
        self, layout: Layout, machines: Machines, outputs: Outputs, design_dp_kpa: float, fans: str = ""
    ) -> None:
        self.layout = layout
        self.machines = machines
        self.outputs = outputs
        self.trains = [Train(item, machines, outputs) for item in layout.trains]
        self.staging = Staging(self.trains)
        self.rejections = [Rejection(towers, machines, outputs, fans) for towers in layout.towers]
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
        self._flows = {towers.loop: flow_loop() for towers in layout.towers}
        self._coils = {coil: PiLoop(2.5, 90.0, (0.0, 100.0), 60.0) for coil in layout.coil_valves}
        self._by_id = {train.id: train for train in self.trains}
        for name in layout.hand_valves:
            machines.valves[name].position_pct = machines.valves[name].command_pct = 100.0
        self._least_flow = PiLoop(60.0, 120.0, (0.0, 100.0), 0.0)
        chilled = {id(pump) for branch in machines.circuits[layout.chilled].branches for pump in branch.pumps}
        self._chilled_pumps = {name for name, pump in machines.pumps.items() if id(pump) in chilled}
        groups = [group for group in layout.groups if group.loop == layout.chilled]
        self._shares_pump = not any(group.serves_coils and not group.serves_chillers for group in groups)

    def run_at_once(self) -> None:
        """Put the plant into the stage that its load asks for, all machines turning."""
        self.staging.start_with(sum(self.machines.coil_loads_kw.values()))
        for header in self.headers:
            speed = 90.0 if header.group.serves_chillers else 75.0
            header.run_at_once(min(self.staging.count, len(header.group.pumps)), speed)
        self.economiser.run_at_once()
        for rejection in self.rejections:
            rejection.run_at_once()
        for coil, valve in self.layout.coil_valves.items():
            self.machines.valves[valve].position_pct = self._coils[coil].output

    def step(self, dt_s: float) -> None:
        """Read the plant, decide, drive."""
        self._setpoints(dt_s)
        chilled = self.machines.circuits[self.layout.chilled]
        supply_c = chilled.by_name[self.layout.coil_ends[0]].temp_c
        self.staging.paused = self.economiser.replaces_chillers
        self.staging.step(dt_s, supply_c - self.setpoint_c, self._distribution_share())
        for train in self.trains:
            train.joins_others = any(other.running for other in self.trains if other is not train)
        for train in self.trains:
            train.step(dt_s)
        self.head_pressure.step(dt_s)
        self._isolate()
        wet = [train for train in self.trains if train.needs_water]
        moves = bool(wet) or self.economiser.replaces_chillers
        self._pumps(dt_s, wet, moves)
        wanted = [train for train in self.trains if train.wanted]
        self.economiser.step(dt_s, moves, (self.setpoint_c, supply_c), self._lift_floor_c(wet), len(wanted) == 1)
        for train in self.trains:
            train.resting = self.economiser.alone and not self.economiser.replaces_chillers
        coldest_c = self._coldest_c(wet)
        for rejection in self.rejections:
            rejection.step(dt_s, self._warms(rejection.layout.loop, wet), coldest_c)
        self._coil_valves(dt_s, wet, moves)

    def _warms(self, loop: str, wet: list[Train]) -> bool:
        """Return whether anything sends warm water to the towers of a loop."""
        economiser = self.economiser.layout
        return any(train.layout.condenser_loop == loop for train in wet) or bool(
            economiser and self.economiser.on and economiser.cool_loop == loop
        )

    def _coldest_c(self, wet: list[Train]) -> float:
        """Return the coldest condenser water that the towers may make."""
        if not self.economiser.on:
            return COLDEST_C
        beside = bool(self.economiser.layout and self.economiser.layout.beside)
        if self.economiser.alone or (not beside and self.economiser.expects_to_carry(self.setpoint_c)):
            return FREE_COOLING_COLDEST_C
        return min(max(FREE_COOLING_COLDEST_C, self._lift_floor_c(wet)), COLDEST_C)

    def _lift_floor_c(self, wet: list[Train]) -> float:
        """Return how cold the condenser water may become before a running machine lacks lift."""
        running = [train for train in wet if train.running]
        taken = self.economiser.taken(len(running))
        return max((self.head_pressure.coldest_c(train, taken) for train in running), default=-math.inf)

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
            own_c = self.setpoint_c - colder_k + self._left_to_others_k(train)
            chiller.setpoint_c = drive(f"{train.id}.setpoint", round(own_c, 2))
            chiller.demand_limit_pct = drive(f"{train.id}.demand_limit", 100.0)

    def _left_to_others_k(self, train: Train) -> float:
        """Return how much warmer than the setpoint a machine leaves its water to those in series behind it."""
        behind = sum(self._by_id[name].running for name in train.layout.behind if name in self._by_id)
        if not behind:
            return 0.0
        return max(train.chiller.evaporator.in_c - self.setpoint_c, 0.0) * behind / (behind + 1)

    def _distribution_share(self) -> float:
        """Return the buildings' flow over the design flow of the running chillers; 0 where one pump serves both."""
        if self._shares_pump:
            return 0.0
        taken = sum(coil.water.flow for coil in self.machines.coils.values() if not coil.heats)
        given = sum(train.chiller.evaporator.design_flow for train in self.trains if train.running)
        return taken / given if given else 0.0

    def _pumps(self, dt_s: float, wet: list[Train], moves: bool) -> None:
        chilled = self.machines.circuits[self.layout.chilled]
        near, far = (chilled.by_name[name] for name in self.layout.coil_ends)
        dp_error = self.dp_setpoint_kpa - (near.pressure_kpa - far.pressure_kpa)
        if moves:
            self._pressure.step(dp_error, dt_s)
        for loop, flow in self._flows.items():
            if self._warms(loop, wet):
                flow.step(self._condenser_shortage(wet, loop), dt_s)
        for header in self.headers:
            self._header(header, dt_s, wet, moves)
        self._dedicated_pumps({name for train in wet for name in (*train.layout.own_pumps, *train.layout.hot_pumps)})

    def _dedicated_pumps(self, wanted: set[str]) -> None:
        economiser = self.economiser.layout
        if economiser and self.economiser.on:
            wanted |= set(economiser.cool_pumps)
            wanted |= set(economiser.warm_pumps if self.economiser.opened else ())
        names = [name for train in self.trains for name in (*train.layout.own_pumps, *train.layout.hot_pumps)]
        names += [*economiser.cool_pumps, *economiser.warm_pumps] if economiser else []
        for name in names:
            pump = self.machines.pumps[name]
            pump.command = self.outputs.drive(f"{name}.command", float(name in wanted)) > 0.5
            in_chilled = self._shares_pump and name in self._chilled_pumps
            own = self._pressure.output if in_chilled else 100.0
            pump.speed_command_pct = self.outputs.drive(f"{name}.speed_command", own) if pump.variable else 100.0

    def _header(self, header: Header, dt_s: float, wet: list[Train], moves: bool) -> None:
        group, flow = header.group, self._flows.get(header.group.loop)
        if flow:
            served = sum(not train.rests and train.layout.condenser_loop == group.loop for train in wet)
            header.count = min(served + self.economiser.on, len(group.pumps))
            header.step(dt_s, flow.output)
            return
        if group.loop != self.layout.chilled:  # hot water: with the first machine that can give it
            header.count = min(int(bool(wet)), len(group.pumps))
            header.step(dt_s, 100.0)
            return
        if group.serves_chillers:
            header.count = min(len(wet) + self.economiser.replaces_chillers, len(group.pumps))
        else:
            header.stage_by_flow(dt_s, moves)
        header.step(dt_s, self._pressure.output if group.serves_coils else 100.0)

    def _condenser_shortage(self, wet: list[Train], loop: str) -> float:
        """Return how far the mean condenser flow is below its design, as a share of it."""
        open_now = [
            train.chiller.condenser
            for train in wet
            if train.layout.condenser_loop == loop
            and train.chiller.condenser.flow > 0
            and not self.head_pressure.throttles(train)
        ]
        flows = [water.flow / water.design_flow for water in open_now]
        economiser = self.economiser.layout
        if economiser and self.economiser.on and economiser.cool_loop == loop:
            cool = self.machines.exchangers[economiser.id].cool
            flows.append(cool.flow / cool.design_flow)
        return 1 - sum(flows) / len(flows) if flows else 0.0

    def _coil_valves(self, dt_s: float, wet: list[Train], moves: bool) -> None:
        floor = self._flow_floor(dt_s, wet)
        for name, valve in self.layout.coil_valves.items():
            coil, loop = self.machines.coils[name], self._coils[name]
            if moves:
                too_warm_k = coil.leaving_air_c - coil.air_setpoint_c
                loop.step(-too_warm_k if coil.heats else too_warm_k, dt_s)
                # a loop left to itself would wind down below its floor
                loop.output = loop.output if coil.heats else max(loop.output, floor)
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
