"""Finds the truth behind each point of a plant."""

from __future__ import annotations

from collections.abc import Callable

from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.simulator.aircondenser import AirCondenser
from plantview.simulator.constants import MAKEUP_TEMP_C
from plantview.simulator.controller import Controller
from plantview.simulator.machines import Machines
from plantview.simulator.measured import (
    CELL,
    CHILLER,
    CONDENSER_WATER,
    DRIVE,
    EXCHANGER,
    PLACE,
    SWITCH,
    Truth,
    bound,
    litres,
    switch_word,
    volume_flow,
)
from plantview.simulator.panel import MODES
from plantview.simulator.pump import Pump

Word = Callable[[], str]


class Instruments:
    """Finds the truth behind a point; ``find`` returns None for what is not modelled."""

    def __init__(self, plant: Plant, machines: Machines, controller: Controller) -> None:
        self._plant = plant
        self._machines = machines
        self._controller = controller

    def find(self, point: Point) -> Truth | None:
        """Return what the point measures, in canonical units; pressures as the point's quantity says."""
        word = self._word(point)
        if word is not None:
            numbers = {name: float(number) for number, name in point.states.items()}
            return (lambda: numbers[word()]) if set(self._words_of(point)) <= set(numbers) else None
        truth = self._number(point)
        if (
            truth is not None
            and point.quantity == "pressure_gauge"
            and point.measurement in {"evap_pressure", "cond_pressure"}
        ):
            return lambda: truth() - self._machines.air.pressure_kpa
        return truth

    def _word(self, point: Point) -> Word | None:
        if point.measurement == "mode" and point.equipment in self._machines.chillers:
            panel = self._machines.chillers[point.equipment].panel
            return lambda: panel.mode
        if point.measurement == "hand_off_auto":
            drive = self._machines.drives().get(point.equipment)
            return (lambda: switch_word(drive)) if drive else None
        if point.measurement == "local_remote" and point.equipment in self._machines.chillers:
            chiller = self._machines.chillers[point.equipment]
            return lambda: "LOCAL" if chiller.local else "REMOTE"
        return None

    @staticmethod
    def _words_of(point: Point) -> tuple[str, ...]:
        return {"mode": MODES, "hand_off_auto": SWITCH, "local_remote": PLACE}[point.measurement]

    def _number(self, point: Point) -> Truth | None:
        name, what, machines = point.equipment, point.measurement, self._machines
        if name in machines.chillers:
            if what in CONDENSER_WATER and isinstance(machines.chillers[name].condenser, AirCondenser):
                return None
            return bound(CHILLER, what, machines.chillers[name]) or self._barrel_dp(name, what)
        if name in machines.pumps:
            pump = machines.pumps[name]
            return bound(DRIVE, what, pump) or self._pump_place(pump, what)
        if name in machines.fans:
            return bound(DRIVE, what, machines.fans[name])
        if name in machines.cells:
            return bound(CELL, what, machines.cells[name])
        if name in self._plant.equipment:
            return self._other(name, what)
        return self._header(name, what)

    def _other(self, name: str, what: str) -> Truth | None:
        machines = self._machines
        if name in machines.valves:
            valve = machines.valves[name]
            return {"position": lambda: valve.position_pct, "command": lambda: valve.command_pct}.get(what)
        if name in machines.coils:
            return self._coil(name, what)
        if name in machines.tanks:
            tank = machines.tanks[name]
            return (lambda: tank.temp_c) if what == "temp" else None
        if name in machines.exchangers:
            return bound(EXCHANGER, what, machines.exchangers[name])
        if name in machines.basins:
            basin = machines.basins[name]
            return {
                "level": lambda: basin.level_m,
                "low_level": lambda: float(basin.low),
                "temp": lambda: basin.water.temp_c,
                "heater": lambda: float(basin.heater_on),
                "makeup_flow": lambda: litres(basin.makeup_kg_s, MAKEUP_TEMP_C),
                "conductivity": lambda: basin.conductivity_us_cm,
            }.get(what)
        kind = self._plant.equipment[name].kind
        if kind == "weather":
            return {
                "dry_bulb": lambda: machines.air.dry_bulb_c,
                "wet_bulb": lambda: machines.air.wet_bulb_c,
                "relative_humidity": lambda: machines.air.humidity_pct,
                "station_pressure": lambda: machines.air.pressure_kpa,
            }.get(what)
        return self._meter(name, what) if kind == "meter" else None

    def _meter(self, name: str, what: str) -> Truth | None:
        served = self._plant.equipment[name].part_of
        machine = self._machines.chillers.get(served) or self._machines.drives().get(served)
        if machine is None:
            return None
        return {"power": lambda: machine.power_kw, "energy": lambda: float(int(machine.energy_kwh))}.get(what)

    def _coil(self, name: str, what: str) -> Truth | None:
        coil = self._machines.coils[name]
        valve = self._machines.valves.get(self._controller.layout.coil_valves.get(name, ""))
        if what == "valve_position":
            return (lambda: valve.position_pct) if valve else None
        return {
            "entering_air_temp": lambda: coil.entering_air_c,
            "leaving_air_temp": lambda: coil.leaving_air_c,
            "chws_temp": lambda: coil.water.in_c,
            "chwr_temp": lambda: coil.water.out_c,
            "flow": lambda: volume_flow(coil.water),
        }.get(what)

    def _barrel_dp(self, name: str, what: str) -> Truth | None:
        design, chiller = self._plant.equipment[name].design, self._machines.chillers[name]
        water = {"evap_dp": chiller.evaporator, "cond_dp": chiller.condenser}.get(what)
        return (lambda: design[what] * (water.flow / water.design_flow) ** 2) if water and what in design else None

    def _pump_place(self, pump: Pump, what: str) -> Truth | None:
        suction, discharge = next(
            (circuit.headers[branch.start], circuit.headers[branch.end])
            for circuit in self._machines.circuits.values()
            for branch in circuit.branches
            if pump in branch.pumps
        )
        return {
            "flow": lambda: litres(pump.flow, suction.temp_c),
            "suction_pressure": lambda: suction.pressure_kpa,
            "discharge_pressure": lambda: discharge.pressure_kpa,
        }.get(what)

    def _header(self, name: str, what: str) -> Truth | None:
        circuit = next((item for item in self._machines.circuits.values() if name in item.by_name), None)
        if circuit is None:
            return None
        header = circuit.by_name[name]
        if what.startswith("dp_to:"):
            other = circuit.by_name[what.removeprefix("dp_to:")]
            return lambda: header.pressure_kpa - other.pressure_kpa
        index = circuit.headers.index(header)
        inflows = [branch for branch in circuit.branches if branch.end == index and not branch.bypass]
        return {
            "temp": lambda: header.temp_c,
            "pressure": lambda: header.pressure_kpa,
            "flow": lambda: litres(sum(branch.flow for branch in inflows), header.temp_c),
            "setpoint": self._setpoint(name),
            "dp_setpoint": (lambda: self._controller.dp_setpoint_kpa)
            if name == self._controller.layout.coil_ends[0]
            else None,
        }.get(what)

    def _setpoint(self, name: str) -> Truth | None:
        layout = self._controller.layout
        if name == layout.supply:
            return lambda: self._controller.setpoint_c
        return next(
            (
                lambda towers=towers: towers.setpoint_c
                for towers in self._controller.rejections
                if towers.layout.cws == name
            ),
            None,
        )
