"""Which measurement a point name is about: one row per reading that names use, matched by meaning, unit and object.

``A|B`` means either; a row fits when all its needs are met and nothing of ``without`` is said.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

IN, OUT, ANY = "in", "out", ""
STATE: Final = "state"
"""A meaning given by the object: binary or multi-state."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One way in which a measurement is named."""

    measurement: str
    needs: tuple[frozenset[str], ...]
    without: frozenset[str]
    way: str
    """Whether it is an output of the controller, an input, or either."""


def _readings(table: str) -> tuple[Reading, ...]:
    found = []
    for line in filter(None, (line.strip() for line in table.splitlines())):
        name, needs, without, *way = (cell.strip() for cell in line.split(";"))
        found.append(
            Reading(
                name,
                tuple(frozenset(need.split("|")) for need in needs.split()),
                frozenset(without.split()),
                way[0] if way else ANY,
            )
        )
    return tuple(found)


_DRIVE: Final = """
command; state command|enable; alarm fault status; out
status; state status|feedback; alarm fault command
status; state on off; alarm fault command hand; in
speed; speed; command setpoint reference state; in
speed; speed feedback; state
speed_command; speed command|reference|setpoint; state feedback
speed_command; speed; state feedback; out
power; power; setpoint state energy
energy; energy; state
hand_off_auto; state hand; alarm
drive_fault; state fault|alarm; vibration
run_hours; hours; setpoint
"""

READINGS: Final[dict[str, tuple[Reading, ...]]] = {
    "chiller": _readings("""
chws_temp; temp leaving|supply chw|evap; cw cond setpoint air oil refrigerant saturation
chws_temp; temp leaving water; cw cond setpoint air oil refrigerant saturation
chwr_temp; temp entering|return chw|evap; cw cond setpoint air oil
chwr_temp; temp entering|return water; cw cond setpoint air oil
cws_temp; temp entering|supply cw|cond; setpoint oil refrigerant saturation
cwr_temp; temp leaving|return cw|cond; setpoint oil refrigerant saturation
chw_flow; flow chw|evap; cw cond state
chw_flow; flow water; cw cond state chw evap
cw_flow; flow cw|cond; state
evap_dp; pressure chw|evap diff|drop; oil cw cond
cond_dp; pressure cw|cond diff|drop; oil
chw_flow_proof; state flow chw|evap; cw cond
cw_flow_proof; state flow cw|cond;
power; power; setpoint state limit energy
energy; energy; state
current_pct; percent current; limit setpoint demand
evap_pressure; pressure evap|suction; diff drop oil
cond_pressure; pressure cond|discharge; diff drop oil
evap_sat_temp; temp evap saturation|refrigerant; setpoint
cond_sat_temp; temp cond saturation|refrigerant; setpoint
liquid_temp; temp liquid; setpoint
suction_temp; temp suction; setpoint
discharge_temp; temp discharge; air setpoint
oil_pressure; pressure oil;
oil_temp; temp oil;
vane_position; percent vane; setpoint
speed; percent speed; setpoint command
setpoint; temp setpoint; active cond cw oil
active_setpoint; temp setpoint active; cond cw oil
demand_limit; percent limit demand|current|load;
enable; state enable|command; status fault alarm restart; out
enable; state enable; fault alarm
status; state status|feedback; fault alarm flow command enable
status; state on off; fault alarm flow command enable hand
mode; state mode; local
local_remote; state local remote; fault
fault; state fault|alarm;
fault_code; fault|alarm code;
restart_time_left; timer restart;
run_hours; hours; restart
starts; starts; state command
"""),
    "pump": _readings(
        _DRIVE
        + """
suction_pressure; pressure suction; diff
discharge_pressure; pressure discharge; diff
flow; flow; state
"""
    ),
    "fan": _readings(
        _DRIVE
        + """
vibration; vibration; state
vibration_trip; state vibration;
"""
    ),
    "tower_cell": _readings("""
entering_temp; temp entering|return; setpoint
leaving_temp; temp leaving|supply; setpoint
isolation_valve; percent valve|isolation; command
isolation_valve_command; state valve|isolation command; fault
water_flow; flow; state
"""),
    "basin": _readings("""
level; level; state
low_level; state level low;
temp; temp; setpoint
heater; state heater; fault
makeup_flow; flow makeup; state
conductivity; conductivity; state
"""),
    "header": _readings("""
temp; temp; setpoint diff
flow; flow; state setpoint
pressure; pressure; diff drop setpoint
setpoint; temp setpoint; diff
dp_setpoint; pressure diff setpoint;
dp_to:chw-return; pressure diff chw; setpoint cw
dp_to:cw-return; pressure diff cw; setpoint chw
"""),
    "weather": _readings("""
dry_bulb; temp; wet setpoint state
dry_bulb; temp dry; wet setpoint
wet_bulb; wet; setpoint
relative_humidity; humidity; setpoint temp
station_pressure; pressure; diff
"""),
    "machine_room": _readings("""
refrigerant_leak; leak; emergency
refrigerant_leak; leak ppm|refrigerant; emergency
emergency_stop; state emergency;
ventilation; state ventilation; emergency
"""),
    "coil": _readings("""
leaving_air_temp; temp air leaving|supply|discharge; setpoint
entering_air_temp; temp air entering|return; setpoint
chws_temp; temp water|chw entering|supply; air setpoint
chwr_temp; temp water|chw leaving|return; air setpoint
valve_position; percent valve; setpoint
flow; flow; state
"""),
    "valve": _readings("""
command; percent command;
command; percent; position feedback; out
position; percent; command; in
position; percent position|feedback; command
"""),
}


def fitting(kind: str, meanings: set[str], way: str) -> Iterator[tuple[Reading, int]]:
    """Yield the readings that fit, with how many of the name's meanings each explains."""
    for reading in READINGS.get(kind, ()):
        if reading.way and reading.way != way:
            continue
        if meanings & reading.without or not all(need & meanings for need in reading.needs):
            continue
        yield reading, len(reading.needs) + (1 if reading.way else 0)
