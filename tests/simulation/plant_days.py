"""Runs simulated plants for the tests: a day once, looked at by many."""

from __future__ import annotations

from dataclasses import dataclass, field

from plantview.model.plant import Plant
from plantview.simulator.plant import SimulatedPlant

MIDNIGHT_MS = 1_783_400_400_000
"""7 July 2026, 00:00 in Chicago, 07:00 in Vienna."""
MORNING_MS = MIDNIGHT_MS + int(8.5 * 3_600_000)
TON_KW = 3.51685
STEP_S = 2.0


def run_hours(simulated: SimulatedPlant, hours: float) -> None:
    """Let hours pass."""
    simulated.step(round(hours * 3_600 / STEP_S) * STEP_S)


@dataclass
class Day:
    """What a plant did, once a minute."""

    simulated: SimulatedPlant
    rows: list[dict[str, float]] = field(default_factory=list)
    modes: list[tuple[str, ...]] = field(default_factory=list)
    """Of each chiller's panel, then of each train of the controller."""

    def column(self, name: str) -> list[float]:
        """Return one column."""
        return [row[name] for row in self.rows]


def live_a_day(plant: Plant) -> Day:
    """Run a plant for 24 h."""
    simulated = SimulatedPlant(plant, MIDNIGHT_MS, coarse=True)
    day = Day(simulated)
    for _ in range(24 * 60):
        run_hours(simulated, 1 / 60)
        day.rows.append(_row(simulated))
        panels = (chiller.panel.mode for chiller in simulated.machines.chillers.values())
        day.modes.append((*panels, *(train.state for train in simulated.controller.trains)))
    return day


def _row(simulated: SimulatedPlant) -> dict[str, float]:
    machines, layout = simulated.machines, simulated.controller.layout
    rejection = simulated.controller.rejections[0]
    chilled, condenser = machines.circuits[layout.chilled], machines.circuits[rejection.layout.loop]
    load = sum(chiller.load_kw for chiller in machines.chillers.values())
    chillers_kw = sum(chiller.power_kw for chiller in machines.chillers.values())
    near, far = (chilled.by_name[name] for name in layout.coil_ends)
    return {
        "load_kw": load,
        "chillers_kw": chillers_kw,
        "pumps_kw": sum(pump.power_kw for pump in machines.pumps.values()),
        "fans_kw": sum(fan.power_kw for fan in machines.fans.values()),
        "plant_kw": chillers_kw + sum(drive.power_kw for drive in machines.drives().values()),
        "supply_error_k": chilled.by_name[layout.supply].temp_c - simulated.controller.setpoint_c,
        "cws_error_k": condenser.by_name[rejection.layout.cws].temp_c - rejection.setpoint_c,
        "cws_c": condenser.by_name[rejection.layout.cws].temp_c,
        "cwr_c": condenser.by_name["cwr"].temp_c,
        "wet_bulb_c": machines.air.wet_bulb_c,
        "chws_c": near.temp_c,
        "chwr_c": far.temp_c,
        "dp_error_kpa": near.pressure_kpa - far.pressure_kpa - simulated.controller.dp_setpoint_kpa,
        "dp_set_kpa": simulated.controller.dp_setpoint_kpa,
        "chws_set_c": simulated.controller.setpoint_c,
        "running": sum(chiller.panel.compressor_on for chiller in machines.chillers.values()),
        "cells_open": sum(cell.isolation.position_pct > 50 for cell in machines.cells.values()),
        "fan_pct": max(fan.speed_pct for fan in machines.fans.values()),
        "level_m": min(basin.level_m for basin in machines.basins.values()),
    }
