"""Design data that each kind of equipment may carry, with its quantity."""

from __future__ import annotations

from typing import Final

DESIGN: Final[dict[str, dict[str, str]]] = {
    "chiller": {
        "cooling_capacity": "heat_flow",
        "power": "power",
        "chws_temp": "temperature",
        "chwr_temp": "temperature",
        "cws_temp": "temperature",
        "cwr_temp": "temperature",
        "chw_flow": "flow",
        "cw_flow": "flow",
        "min_chw_flow": "flow",
        "min_cw_flow": "flow",
        "evap_dp": "pressure_difference",
        "cond_dp": "pressure_difference",
        "min_cws_temp": "temperature",
        "min_lift": "temperature_difference",
        "min_load": "percent",
        "evap_approach": "temperature_difference",
        "cond_approach": "temperature_difference",
    },
    "tower_cell": {
        "heat_rejection": "heat_flow",
        "water_flow": "flow",
        "min_water_flow": "flow",
        "entering_temp": "temperature",
        "leaving_temp": "temperature",
        "wet_bulb": "temperature",
        "static_lift": "pressure_difference",
    },
    "fan": {"power": "power", "min_speed": "percent"},
    "basin": {"volume": "volume", "level": "length"},
    "pump": {
        "flow": "flow",
        "head": "pressure_difference",
        "power": "power",
        "efficiency": "percent",
        "motor_efficiency": "percent",
        "min_speed": "percent",
    },
    "valve": {"flow": "flow", "dp": "pressure_difference", "stroke_time": "duration"},
    "heat_exchanger": {
        "capacity": "heat_flow",
        "warm_flow": "flow",
        "cool_flow": "flow",
        "warm_dp": "pressure_difference",
        "cool_dp": "pressure_difference",
        "approach": "temperature_difference",
    },
    "coil": {
        "cooling_capacity": "heat_flow",
        "flow": "flow",
        "dp": "pressure_difference",
        "chws_temp": "temperature",
        "chwr_temp": "temperature",
        "entering_air_temp": "temperature",
        "leaving_air_temp": "temperature",
    },
    "tank": {"volume": "volume"},
    "meter": {},
    "weather": {},
    "machine_room": {},
}

TRAITS: Final[dict[str, tuple[str, ...]]] = {
    "chiller": ("compressor", "cooling", "refrigerant", "drive"),
    "tower_cell": ("type",),
    "pump": ("drive",),
    "valve": ("way", "normally"),
    "coil": ("valve",),
    "fan": ("drive",),
    "meter": ("boundary",),
}
"""Words that a kind may carry. ``meter.boundary`` says what the meter includes."""
