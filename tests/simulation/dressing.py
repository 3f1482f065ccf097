"""Dresses a bare arrangement with the sizes of an example plant's machines, and weather and load to match."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from plantview.model.plant import Equipment, Loop, Plant, Port

EXCHANGER: Final[Mapping[str, float]] = {
    "capacity": 1_500.0,
    "warm_flow": 120.0,
    "cool_flow": 114.0,
    "warm_dp": 45.0,
    "cool_dp": 45.0,
    "approach": 1.5,
}
HEATING: Final[Mapping[str, float]] = {
    "cooling_capacity": 900.0,
    "flow": 36.0,
    "dp": 40.0,
    "chws_temp": 41.0,
    "chwr_temp": 35.0,
    "entering_air_temp": 12.0,
    "leaving_air_temp": 28.0,
}
AIR_COOLED: Final[Mapping[str, float]] = {"power": 745.0, "cond_approach": 6.0}
"""COP 3.1 at 35 degC, condenser fans included (common practice, no source)."""
RECOVERY_POWER_KW: Final = 470.0
"""A machine that makes hot water has the motor for it."""
LIKE: Final[Mapping[str, str]] = {
    "chiller": "CH-1",
    "tower_cell": "CT-1",
    "fan": "CT-1-FAN",
    "coil": "AHU-N1",
    "valve": "V-TB",
}


def dressed(plant: Plant, model: Plant) -> Plant:
    """Return the plant with the sizes of another one's machines."""
    chillers = len(plant.of_kind("chiller"))
    heating = {port.equipment for loop in plant.loops.values() if loop.water == "hot" for port in _coil_ports(loop)}
    equipment = {name: _like(item, model, plant, heating) for name, item in plant.equipment.items()}
    for cell in plant.of_kind("tower_cell"):  # a tower without a fan cannot carry the load
        if not plant.parts_of(cell.id, "fan"):
            equipment[f"{cell.id}-FAN"] = replace(model.equipment[LIKE["fan"]], id=f"{cell.id}-FAN", part_of=cell.id)
    load = {"load_low": 900.0 * chillers, "load_high": 1_800.0 * chillers}
    return replace(plant, equipment=equipment, simulation={**model.simulation, **load}, zone=model.zone)


def _coil_ports(loop: Loop) -> list[Port]:
    return [port for stage in loop.stages_of("coil") for port in stage.ports()]


def _like(item: Equipment, model: Plant, plant: Plant, heating: set[str]) -> Equipment:
    chillers = len(plant.of_kind("chiller"))
    if item.id in heating:
        return replace(item, design=HEATING)
    if item.kind == "heat_exchanger":
        return replace(item, design=EXCHANGER)
    if item.kind == "tank":
        return replace(item, design={"volume": 30.0})
    if item.kind not in {*LIKE, "pump"}:
        return item
    pattern = model.equipment[_pump(item.id) if item.kind == "pump" else LIKE[item.kind]]
    design = dict(pattern.design)
    if item.kind == "coil":  # so many coils carry the whole load
        share = 2_300.0 * chillers / (len(plant.of_kind("coil")) - len(heating)) / design["cooling_capacity"]
        design |= {key: design[key] * share for key in ("cooling_capacity", "flow")}
    if item.kind == "tower_cell":
        share = chillers / len(plant.of_kind("tower_cell"))
        design |= {key: design[key] * share for key in ("water_flow", "min_water_flow")}
    if item.traits.get("cooling") == "air":
        design |= AIR_COOLED
    if item.kind == "chiller" and any(port == f"{item.id}.recovery" for port in _ports(plant)):
        design["power"] = RECOVERY_POWER_KW
    return replace(item, design=design, traits={**pattern.traits, **item.traits})


def _ports(plant: Plant) -> set[str]:
    return {str(port) for loop in plant.loops.values() for stage in loop.stages for port in stage.ports()}


def _pump(name: str) -> str:
    if name.startswith("CWP"):
        return "CWP-1"
    return "SCHWP-1" if name.startswith(("CHWP", "SCH", "TCH")) else "PCHWP-1"
