"""What machines can tell: measurement -> truth in canonical units, pressures absolute."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final, TypeVar

from plantview.simulator.aircondenser import AirCondenser
from plantview.simulator.cell import Cell
from plantview.simulator.chiller import Chiller
from plantview.simulator.exchanger import Exchanger
from plantview.simulator.panel import FAULT
from plantview.simulator.pump import Drive
from plantview.simulator.volume import Volume
from plantview.simulator.water import density_kg_l

Truth = Callable[[], float]
M = TypeVar("M")


def litres(flow_kg_s: float, temp_c: float) -> float:
    """Return a volume flow in L/s."""
    return flow_kg_s / density_kg_l(temp_c)


def volume_flow(water: Volume | AirCondenser) -> float:
    """Return the volume flow through a barrel or coil in L/s."""
    return litres(water.flow, water.out_c)


def _running(chiller: Chiller) -> float:
    return float(chiller.panel.compressor_on)


CHILLER: Final[dict[str, Callable[[Chiller], float]]] = {
    "chws_temp": lambda m: m.evaporator.out_c,
    "chwr_temp": lambda m: m.evaporator.in_c,
    "cws_temp": lambda m: m.condenser.in_c,
    "cwr_temp": lambda m: m.condenser.out_c,
    "chw_flow": lambda m: volume_flow(m.evaporator),
    "cw_flow": lambda m: volume_flow(m.condenser),
    "chw_flow_proof": lambda m: float(m.chw_switch.closed),
    "cw_flow_proof": lambda m: float(m.cw_switch.closed),
    "power": lambda m: m.power_kw,
    "energy": lambda m: float(int(m.energy_kwh)),
    "current_pct": lambda m: m.current_pct,
    "evap_pressure": lambda m: m.pressures_kpa()[0],
    "cond_pressure": lambda m: m.pressures_kpa()[1],
    "evap_sat_temp": lambda m: m.evap_sat_c,
    "cond_sat_temp": lambda m: m.cond_sat_c,
    "liquid_temp": lambda m: m.liquid_c,
    "suction_temp": lambda m: m.suction_c,
    "discharge_temp": lambda m: m.discharge_c,
    "oil_pressure": lambda m: 165.0 * _running(m),
    "oil_temp": lambda m: m.oil_c,
    "winding_temp": lambda m: m.winding_c,
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
EXCHANGER: Final[dict[str, Callable[[Exchanger], float]]] = {
    "warm_in_temp": lambda m: m.warm.in_c,
    "warm_out_temp": lambda m: m.warm.out_c,
    "cool_in_temp": lambda m: m.cool.in_c,
    "cool_out_temp": lambda m: m.cool.out_c,
}
CONDENSER_WATER: Final = frozenset({"cws_temp", "cwr_temp", "cw_flow", "cw_flow_proof", "cond_dp"})
"""What an air-cooled machine does not have."""
SWITCH: Final = ("AUTO", "HAND", "OFF")
PLACE: Final = ("REMOTE", "LOCAL")


def switch_word(drive: Drive) -> str:
    """Return how the switch at a drive stands."""
    if drive.hand_pct is None:
        return "AUTO"
    return "HAND" if drive.hand_pct > 0 else "OFF"


def bound(table: Mapping[str, Callable[[M], float]], what: str, machine: M) -> Truth | None:
    """Return the truth of one machine, or None for what its kind does not tell."""
    measure = table.get(what)
    return (lambda: measure(machine)) if measure else None
