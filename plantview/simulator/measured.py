"""What each measurement means in the simulated plant: kind, measurement -> truth in canonical units."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.simulator.cell import Cell
from plantview.simulator.chiller import Chiller
from plantview.simulator.controller import Controller
from plantview.simulator.machines import Machines
from plantview.simulator.panel import FAULT
from plantview.simulator.pump import Drive, Pump
from plantview.simulator.volume import Volume
from plantview.simulator.water import density_kg_l

Truth = Callable[[], float]
Word = Callable[[], str]


def litres(flow_kg_s: float, temp_c: float) -> float:
    """Return a volume flow in L/s."""
    return flow_kg_s / density_kg_l(temp_c)


def _volume_flow(water: Volume) -> float:
    return litres(water.flow, water.out_c)


def _running(chiller: Chiller) -> float:
    return float(chiller.panel.compressor_on)


CHILLER: Final[dict[str, Callable[[Chiller], float]]] = {
    "chws_temp": lambda m: m.evaporator.out_c,
    "chwr_temp": lambda m: m.evaporator.in_c,
    "cws_temp": lambda m: m.condenser.in_c,
    "cwr_temp": lambda m: m.condenser.out_c,
    "chw_flow": lambda m: _volume_flow(m.evaporator),
    "cw_flow": lambda m: _volume_flow(m.condenser),
    "chw_flow_proof": lambda m: float(m.chw_switch.closed),
    "cw_flow_proof": lambda m: float(m.cw_switch.closed),
    "power": lambda m: m.power_kw,
    "energy": lambda m: float(int(m.energy_kwh)),
    "current_pct": lambda m: m.current_pct,
    "evap_pressure": lambda m: m.pressures_kpa()[0],
    "cond_pressure": lambda m: m.pressures_kpa()[1],
    "evap_sat_temp": lambda m: m.evap_sat_c,
    "cond_sat_temp": lambda m: m.cond_sat_c,
    "liquid_temp": lambda m: m.cond_sat_c - 3.5 * m.part_load,
    "suction_temp": lambda m: m.evap_sat_c + 0.6 * _running(m),
    "discharge_temp": lambda m: m.cond_sat_c + (7.0 + 5.0 * m.part_load) * _running(m),
    "oil_pressure": lambda m: 165.0 * _running(m),
    "oil_temp": lambda m: m.oil_c,
    "vane_position": lambda m: m.vane_pct,
    "speed": lambda m: m.speed_pct,
    "setpoint": lambda m: m.setpoint_c,
    "active_setpoint": lambda m: m.setpoint_c,
    "demand_limit": lambda m: m.demand_limit_pct,
    "enable": lambda m: float(m.enabled),
    "status": _running,
    "fault": lambda m: float(m.panel.mode == FAULT),
    "fault_code": lambda m: float(m.panel.fault_code),
    "restart_time_left": lambda m: m.panel.restart_left_s,
    "run_hours": lambda m: float(int(m.run_hours)),
    "starts": lambda m: float(m.panel.starts),
}
DRIVE: Final[dict[str, Callable[[Drive], float]]] = {
    "command": lambda m: float(m.command),
    "status": lambda m: float(m.running),
    "speed": lambda m: m.speed_pct,
    "speed_command": lambda m: m.speed_command_pct,
    "power": lambda m: m.power_kw,
    "energy": lambda m: float(int(m.energy_kwh)),
    "drive_fault": lambda m: float(m.tripped),
    "run_hours": lambda m: float(int(m.run_hours)),
}
CELL: Final[dict[str, Callable[[Cell], float]]] = {
    "entering_temp": lambda m: m.entering_c,
    "leaving_temp": lambda m: m.leaving_c,
    "isolation_valve": lambda m: m.isolation.position_pct,
    "isolation_valve_command": lambda m: float(m.isolation.command_pct > 50),
    "water_flow": lambda m: litres(m.flow, m.entering_c),
}
WORDS: Final = {"hand_off_auto": "AUTO", "local_remote": "REMOTE"}


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
        if truth is not None and point.quantity == "pressure_gauge" and point.measurement in {"evap_pressure", "cond_pressure"}:
            return lambda: truth() - self._machines.air.pressure_kpa
        return truth

    def _word(self, point: Point) -> Word | None:
        if point.measurement == "mode" and point.equipment in self._machines.chillers:
            panel = self._machines.chillers[point.equipment].panel
            return lambda: panel.mode
        fixed = WORDS.get(point.measurement)
        return (lambda: fixed) if fixed else None

    @staticmethod
    def _words_of(point: Point) -> tuple[str, ...]:
        if point.measurement == "mode":
            return ("OFF", "WAITING FOR FLOW", "STARTING", "RUN", "STOPPING", "RESTART INHIBIT", "FAULT")
        return (WORDS[point.measurement],)

    def _number(self, point: Point) -> Truth | None:
        name, what, machines = point.equipment, point.measurement, self._machines
        if name in machines.chillers:
            return _bound(CHILLER, what, machines.chillers[name]) or self._barrel_dp(name, what)
        if name in machines.pumps:
            pump = machines.pumps[name]
            return _bound(DRIVE, what, pump) or self._pump_place(pump, what)
        if name in machines.fans:
            return _bound(DRIVE, what, machines.fans[name])
        if name in machines.cells:
            return _bound(CELL, what, machines.cells[name])
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
        if name in machines.basins:
            basin = machines.basins[name]
            return {
                "level": lambda: basin.level_m,
                "low_level": lambda: float(basin.low),
                "temp": lambda: basin.water.temp_c,
                "heater": lambda: 0.0,
                "makeup_flow": lambda: litres(basin.makeup_kg_s, 18.0),
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
            "flow": lambda: _volume_flow(coil.water),
        }.get(what)

    def _barrel_dp(self, name: str, what: str) -> Truth | None:
        design, chiller = self._plant.equipment[name].design, self._machines.chillers[name]
        water = {"evap_dp": chiller.evaporator, "cond_dp": chiller.condenser}.get(what)
        return (lambda: design[what] * (water.flow / water.design_flow) ** 2) if water and what in design else None

    def _pump_place(self, pump: Pump, what: str) -> Truth | None:
        suction, discharge = next(
            (circuit.headers[branch.start], circuit.headers[branch.end])
            for circuit in self._machines.circuits.values() for branch in circuit.branches if pump in branch.pumps
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
            "dp_setpoint": (lambda: self._controller.dp_setpoint_kpa) if name == self._controller.layout.coil_ends[0] else None,
        }.get(what)

    def _setpoint(self, name: str) -> Truth | None:
        layout = self._controller.layout
        if name == layout.supply:
            return lambda: self._controller.setpoint_c
        if name == layout.cws:
            return lambda: self._controller.rejection.setpoint_c
        return None


def _bound(table: dict[str, Callable[[object], float]] | object, what: str, machine: object) -> Truth | None:
    measure = table.get(what) if isinstance(table, dict) else None
    return (lambda: float(measure(machine))) if measure else None
