"""What each kind of equipment can tell, with its quantity and its name in trade words.

A point row says ``CH-1, chws_temp``, never free text. Quantities separated by ``|``
are alternatives that the unit of the row decides (psig or psia).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

PRESSURE: Final = "pressure_gauge|pressure_absolute"


@dataclass(frozen=True, slots=True)
class Measurement:
    """One thing that can be measured or commanded."""

    name: str
    quantity: str
    label: str
    commandable: bool = False

    @property
    def quantities(self) -> tuple[str, ...]:
        """Return the quantities that it may have."""
        return tuple(self.quantity.split("|"))


def _rows(table: str) -> dict[str, Measurement]:
    rows: dict[str, Measurement] = {}
    for line in filter(None, table.splitlines()):
        name, quantity, label = (cell.strip() for cell in line.split(";"))
        rows[name.rstrip("!")] = Measurement(name.rstrip("!"), quantity, label, name.endswith("!"))
    return rows


_CHILLER = _rows(f"""
chws_temp; temperature; leaving chilled water (CHWS)
chwr_temp; temperature; entering chilled water (CHWR)
cws_temp; temperature; entering condenser water (CWS)
cwr_temp; temperature; leaving condenser water (CWR)
chw_flow; flow; chilled water flow
cw_flow; flow; condenser water flow
evap_dp; pressure_difference; evaporator water pressure drop
cond_dp; pressure_difference; condenser water pressure drop
chw_flow_proof; state; chilled water flow proof
cw_flow_proof; state; condenser water flow proof
power; power; power input
energy; energy; energy meter
current_pct; percent; motor current, % RLA
evap_pressure; {PRESSURE}; evaporator refrigerant pressure
cond_pressure; {PRESSURE}; condenser refrigerant pressure
evap_sat_temp; temperature; evaporator saturation temperature (panel)
cond_sat_temp; temperature; condenser saturation temperature (panel)
liquid_temp; temperature; liquid line temperature
suction_temp; temperature; suction temperature
discharge_temp; temperature; discharge temperature
oil_pressure; pressure_difference; oil pressure difference
oil_temp; temperature; oil temperature
winding_temp; temperature; motor winding temperature
vane_position; percent; guide vane position
speed; percent; compressor speed
setpoint!; temperature; chilled water setpoint
active_setpoint; temperature; active chilled water setpoint
demand_limit!; percent; demand limit
enable!; state; enable
status; state; run status
mode; state; operating mode
local_remote; state; local or remote
fault; state; fault
fault_code; count; fault code
restart_time_left; duration; restart time left
run_hours; hours; run hours
starts; count; starts
""")

_DRIVE = """
command!; state; start command
status; state; run status
speed; percent; speed
speed_command!; percent; speed command
power; power; power input
energy; energy; energy meter
hand_off_auto; state; hand, off or auto
drive_fault; state; drive fault
run_hours; hours; run hours
"""

MEASUREMENTS: Final[dict[str, dict[str, Measurement]]] = {
    "chiller": _CHILLER,
    "tower_cell": _rows("""
entering_temp; temperature; water entering the tower (CWR)
leaving_temp; temperature; water leaving the tower (CWS)
isolation_valve; percent; isolation valve position
isolation_valve_command!; state; isolation valve command
water_flow; flow; water over the fill
vibration; velocity; vibration
vibration_trip; state; vibration trip
"""),
    "fan": _rows(_DRIVE + "\nvibration; velocity; vibration\nvibration_trip; state; vibration trip"),
    "basin": _rows("""
level; length; basin level
low_level; state; low level switch
temp; temperature; basin water temperature
heater; state; basin heater
makeup_flow; flow; make-up flow
conductivity; conductivity; conductivity
"""),
    "pump": _rows(
        _DRIVE
        + f"""
suction_pressure; {PRESSURE}; suction pressure
discharge_pressure; {PRESSURE}; discharge pressure
flow; flow; flow
"""
    ),
    "valve": _rows("command!; percent; valve command\nposition; percent; valve position"),
    "heat_exchanger": _rows("""
warm_in_temp; temperature; warm side in
warm_out_temp; temperature; warm side out
cool_in_temp; temperature; cool side in
cool_out_temp; temperature; cool side out
"""),
    "coil": _rows("""
entering_air_temp; temperature; entering air
leaving_air_temp; temperature; leaving air
chws_temp; temperature; water into the coil (CHWS)
chwr_temp; temperature; water out of the coil (CHWR)
valve_position; percent; coil valve position
flow; flow; coil water flow
"""),
    "tank": _rows("temp; temperature; tank temperature\nlevel; length; tank level"),
    "meter": _rows("""
power; power; power
energy; energy; energy
current; current; current
voltage; voltage; voltage
power_factor; ratio; power factor
"""),
    "weather": _rows("""
dry_bulb; temperature; outdoor dry bulb
wet_bulb; temperature; outdoor wet bulb
relative_humidity; humidity; outdoor relative humidity
station_pressure; pressure_absolute; station pressure
"""),
    "machine_room": _rows("""
refrigerant_leak; concentration|state; refrigerant leak detector
emergency_stop; state; emergency stop
ventilation; state; machine room ventilation
"""),
    "header": _rows(f"""
temp; temperature; temperature
flow; flow; flow
pressure; {PRESSURE}; pressure
setpoint!; temperature; temperature setpoint
dp_setpoint!; pressure_difference; pressure difference setpoint
"""),
}

DP_TO: Final = "dp_to:"
"""A header's pressure difference to another: ``dp_to:<header>``."""

SIDES: Final[dict[str, tuple[str, ...]]] = {
    "chiller": ("evaporator", "condenser", "recovery"),
    "heat_exchanger": ("warm", "cool"),
    "coil": ("coil",),
}
"""Kinds with named water circuits; every other kind has one circuit and no side."""

WET_KINDS: Final = ("chiller", "tower_cell", "pump", "valve", "heat_exchanger", "coil", "tank")
"""Kinds that stand in a loop."""


def measurement(kind: str, name: str) -> Measurement | None:
    """Return the measurement ``name`` of a kind, or None if that kind has no such thing."""
    if kind == "header" and name.startswith(DP_TO):
        return Measurement(name, "pressure_difference", f"pressure difference to {name[len(DP_TO) :]}")
    return MEASUREMENTS[kind].get(name)
