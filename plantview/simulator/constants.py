"""Engineering numbers of the simulated plant, in one place.

Where a comment names no publication the number is common practice of plant design or our own
choice, no source; nothing in the rest of plantview may use them.
"""

from __future__ import annotations

from typing import Final

ZERO_C_K: Final = 273.15
GRAVITY_M_S2: Final = 9.80665
STANDARD_ATMOSPHERE_KPA: Final = 101.325

STEP_S_MAX: Final = 2.0
"""Longest step of the physics; the smallest stored water is several times what passes in it."""
COARSE_STEP_S: Final = 5.0
"""The same where nobody looks at seconds: energies agree with those of short steps to 0.1 %."""
SETTLE_S: Final = 2_400.0
"""How long a warm plant runs before anybody looks at it."""

# --- water in the pipes ----------------------------------------------------------------
BARREL_HOLD_S: Final = 10.0
"""Water in a barrel or coil, as seconds of its design flow."""
PLANT_HEADER_HOLD_S: Final = 15.0
BUILDING_MAIN_HOLD_S: Final = 30.0
FILL_PRESSURE_KPA: Final = 200.0
"""Gauge pressure that the expansion tank holds at the start header of a closed loop."""
DECOUPLER_DP_KPA: Final = 3.0
"""Loss of a decoupler at the design flow of its loop."""
PUMP_FITTINGS_SHARE: Final = 0.10
"""Strainer, check valve and headers of one pump, as a share of its design head."""
VALVE_DP_KPA: Final = 10.0
TOWER_DP_KPA: Final = 20.0
SHUT_PCT: Final = 0.5
"""A valve that is less open than this passes nothing."""
VALVE_RANGE: Final = 30.0
"""Equal-percentage rangeability."""
FLOW_STANDS_KG_S: Final = 0.05

RUN_HOLD_S: Final = 40.0
"""Water under way between plant and coils, each way, as seconds of a coil's design flow."""
RISER_HOLD_S: Final = 15.0
"""The same between condensers and towers."""
RUN_LAYERS: Final = 20
TANK_LAYERS: Final = 8
TANK_DP_KPA: Final = 5.0

# --- pumps and fans --------------------------------------------------------------------
SHUTOFF_HEAD_RATIO: Final = 1.25
MOTOR_EFFICIENCY: Final = 0.94
DRIVE_EFFICIENCY: Final = 0.97
PUMP_RAMP_PCT_S: Final = 5.0
FAN_RAMP_PCT_S: Final = 2.0
STATUS_AT_PCT: Final = 10.0
"""The current switch closes above this speed."""
DRIVE_STANDBY_SHARE: Final = 0.01

# --- chillers ----------------------------------------------------------------------------
MOTOR_HEAT_TO_REFRIGERANT: Final = 1.0
"""Hermetic motor and refrigerant-cooled drive: all input power ends in the condenser."""
PROOF_MAKE_SHARE: Final = 0.8
PROOF_BREAK_SHARE: Final = 0.65
"""Flow switch, as shares of the chiller's minimum flow."""
FLOW_FILTER_S: Final = 6.0
STARTING_S: Final = 30.0
STOPPING_S: Final = 60.0
START_TO_START_S: Final = 900.0
STOP_TO_START_S: Final = 180.0
FAULT_RESET_S: Final = 900.0
"""After so long the crew has reset the panel, if the cause is gone."""
FREEZE_TRIP_C: Final = 2.8
AIR_HIGH_PRESSURE_C: Final = 62.0
"""The same cut-out of an air-cooled machine or one that makes hot water."""
AIR_APPROACH_K: Final = 6.0
"""Condensing temperature over the leaving air of an air-cooled machine at design."""
WARM_UP_S: Final = 900.0
"""Lift and low-pressure cut-outs are held back so long after a start."""
HIGH_PRESSURE_C: Final = 48.0
"""Condensing temperature of the high pressure cut-out."""
LOW_PRESSURE_C: Final = 0.5
HUNTING_LIFT_SHARE: Final = 0.6
"""Below this share of the maker's least lift the machine hunts."""
HUNTING_MOST: Final = 0.5
HUNTING_PERIOD_S: Final = 40.0
LIFT_TRIP_SHORTAGE: Final = 0.5
"""It trips when so much of the bearable lift is missing."""
LOAD_RAMP_S: Final = 120.0
"""Time from no load to full load; unloading takes a third of it."""
LEAVING_TEMP_GAIN_S: Final = 60.0
SATURATION_LAG_S: Final = 15.0
EQUALISE_LAG_S: Final = 300.0

# --- tower ---------------------------------------------------------------------------------
FREE_CONVECTION_SHARE: Final = 0.125
"""EnergyPlus Engineering Reference, variable-speed tower: fraction of capacity without fans."""
EVAPORATION_PER_K: Final = 0.00153
"""Evaporation per kelvin of range, as a share of flow (0.00085 per degF, Perry, from memory)."""
DRIFT_SHARE: Final = 0.00008
"""EnergyPlus default drift loss, 0.008 % of flow."""
CYCLES: Final = 4.0
MAKEUP_CONDUCTIVITY_US_CM: Final = 380.0
MAKEUP_TEMP_C: Final = 18.0
