"""The kinds of faults that a simulated plant can suffer, one row each.

A kind names what it befalls, what its amount means and an example; ``fault_effects`` says what it does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

SHARE: Final = (0.0, 0.9)
ANY: Final = (-math.inf, math.inf)


@dataclass(frozen=True, slots=True)
class FaultKind:
    """What a kind of fault befalls and what its amount means."""

    target: str
    """A kind of equipment, ``drive`` (pump or fan), ``bypass``, ``proof`` (a flow proof), ``point``, ``setpoint`` or ``device``."""
    amount: str
    """Meaning of the amount; empty if it has none."""
    example: str
    normal: float = 0.0
    """Amount where none is given; NaN if one must be."""
    limits: tuple[float, float] = ANY
    """Least and largest amount."""


SWAPPED: Final = {
    "chws_temp": "chwr_temp",
    "chwr_temp": "chws_temp",
    "cws_temp": "cwr_temp",
    "cwr_temp": "cws_temp",
    "evap_pressure": "cond_pressure",
    "cond_pressure": "evap_pressure",
    "chw_flow": "cw_flow",
    "cw_flow": "chw_flow",
    "warm_in_temp": "warm_out_temp",
    "warm_out_temp": "warm_in_temp",
    "cool_in_temp": "cool_out_temp",
    "cool_out_temp": "cool_in_temp",
    "entering_temp": "leaving_temp",
    "leaving_temp": "entering_temp",
    "dry_bulb": "wet_bulb",
    "wet_bulb": "dry_bulb",
}
"""Measurement -> the neighbour whose wires it is taken for."""
WRONG_PIPE: Final = {
    "chws_temp": "cws_temp",
    "chwr_temp": "cwr_temp",
    "cws_temp": "chwr_temp",
    "cwr_temp": "chws_temp",
    "warm_in_temp": "cool_in_temp",
    "warm_out_temp": "cool_out_temp",
    "cool_in_temp": "warm_in_temp",
    "cool_out_temp": "warm_out_temp",
}
"""Measurement -> the pipe of the other loop beside it."""


def _share(target: str, meaning: str, example: str, normal: float) -> FaultKind:
    return FaultKind(target, f"{meaning}, 0 to 0.9", example, normal, SHARE)


FAULTS: Final[dict[str, FaultKind]] = {
    # pumps, fans, valves, water
    "pump-trip": FaultKind("pump", "", "pump-trip:CWP-2@120"),
    "fan-trip": FaultKind("fan", "", "fan-trip:CT-1-FAN@120"),
    "drive-in-hand": FaultKind("drive", "speed held, %", "drive-in-hand:CWP-2:70@120", 100.0, (0.0, 100.0)),
    "drive-off-at-switch": FaultKind("drive", "", "drive-off-at-switch:CWP-2@120"),
    "pump-worn": _share("pump", "share of head lost", "pump-worn:CWP-1:0.2", 0.2),
    "strainer-plugged": _share("pump", "share of flow lost", "strainer-plugged:CWP-1:0.3@600", 0.3),
    "check-valve-passing": FaultKind("pump", "", "check-valve-passing:CWP-3"),
    "fan-belt-slipping": FaultKind(
        "fan", "share of air lost, 0 to 1", "fan-belt-slipping:CT-1-FAN:1@300", 1.0, (0.0, 1.0)
    ),
    "cell-isolated": FaultKind("tower_cell", "", "cell-isolated:CT-2@600"),
    "fill-scaled": _share("tower_cell", "share of cooling lost", "fill-scaled:CT-1:0.3", 0.3),
    "valve-stuck": FaultKind(
        "valve", "position, %; where it stands if left out", "valve-stuck:V-TB:35@60", -1.0, (-1.0, 100.0)
    ),
    "valve-leaking": FaultKind("valve", "opening that remains, %", "valve-leaking:V-CH2:15", 15.0, (0.0, 100.0)),
    "bypass-passing": FaultKind(
        "bypass", "opening that remains, %", "bypass-passing:tower-bypass:20", 20.0, (0.0, 100.0)
    ),
    "makeup-shut": FaultKind("basin", "", "makeup-shut:CT-BASIN@60"),
    "basin-heater-dead": FaultKind("basin", "", "basin-heater-dead:CT-BASIN"),
    "blowdown-stuck-open": FaultKind("basin", "", "blowdown-stuck-open:CT-BASIN"),
    "air-bound-coil": _share("coil", "share of flow lost", "air-bound-coil:AHU-N1:0.6", 0.6),
    "coil-fouled": _share("coil", "share of heat transfer lost", "coil-fouled:AHU-N1:0.4", 0.4),
    "low-delta-t": FaultKind("coil", "K by which its air is set too cold", "low-delta-t:AHU-N1:4", 4.0, (0.0, 10.0)),
    "exchanger-fouled": _share("heat_exchanger", "share of heat transfer lost", "exchanger-fouled:HX-1:0.4", 0.4),
    # chillers
    "fouled-condenser": _share("chiller", "share of heat transfer lost", "fouled-condenser:CH-1:0.45", 0.45),
    "fouled-evaporator": _share("chiller", "share of heat transfer lost", "fouled-evaporator:CH-1:0.4", 0.4),
    "condenser-tubes-plugged": _share("chiller", "share of tubes", "condenser-tubes-plugged:CH-1:0.45", 0.45),
    "refrigerant-leak": _share("chiller", "share of charge lost", "refrigerant-leak:CH-1:0.4", 0.4),
    "overcharge": FaultKind("chiller", "share of charge too much, 0 to 0.5", "overcharge:CH-1:0.2", 0.2, (0.0, 0.5)),
    "non-condensables": FaultKind("chiller", "% of foreign gas, 0 to 5", "non-condensables:CH-1:1", 1.0, (0.0, 5.0)),
    "excess-oil": _share("chiller", "share of oil too much", "excess-oil:CH-1:0.5", 0.5),
    "low-condenser-flow": _share("chiller", "share of flow lost", "low-condenser-flow:CH-1:0.3", 0.3),
    "low-evaporator-flow": _share("chiller", "share of flow lost", "low-evaporator-flow:CH-1:0.3", 0.3),
    "chiller-trip": FaultKind("chiller", "", "chiller-trip:CH-1@300"),
    "panel-in-local": FaultKind("chiller", "", "panel-in-local:CH-1"),
    "flow-switch-open": FaultKind("proof", "", "flow-switch-open:CH-1.chw_flow_proof@60"),
    "flow-switch-bridged": FaultKind("proof", "", "flow-switch-bridged:CH-1.cw_flow_proof"),
    # sensors and meters
    "stuck-sensor": FaultKind("point", "", "stuck-sensor:CH-1.chws_temp@60"),
    "sensor-bias": FaultKind(
        "point", "added to the reading, in its unit", "sensor-bias:CH-1.chws_temp:+1.5@60+600", math.nan
    ),
    "sensor-drift": FaultKind("point", "added per hour, in its unit", "sensor-drift:CH-1.chws_temp:+0.2", math.nan),
    "sensor-noisy": FaultKind(
        "point", "spread, in its unit", "sensor-noisy:CH-1.chw_flow:50", math.nan, (0.0, math.inf)
    ),
    "sensor-broken": FaultKind("point", "", "sensor-broken:CH-1.chws_temp@60"),
    "sensors-swapped": FaultKind("point", "", "sensors-swapped:CH-1.chws_temp"),
    "sensor-in-wrong-pipe": FaultKind("point", "", "sensor-in-wrong-pipe:CH-1.cws_temp"),
    "sensor-in-wrong-unit": FaultKind("point", "", "sensor-in-wrong-unit:CH-1.chws_temp"),
    "sensor-not-in-well": _share("point", "share of the room in it", "sensor-not-in-well:CH-1.chws_temp:0.1", 0.1),
    "wrong-ct-ratio": FaultKind("point", "factor on the reading", "wrong-ct-ratio:CH-1.power:0.5", 0.5, (0.01, 10.0)),
    "meter-rolls-over": FaultKind(
        "point", "counts left before zero", "meter-rolls-over:CH-1.energy:50", 50.0, (0.0, 1e9)
    ),
    "meter-replaced": FaultKind("point", "", "meter-replaced:CH-1.energy@600"),
    # people
    "setpoint-changed": FaultKind(
        "setpoint", "new value, in its unit", "setpoint-changed:chw-supply.setpoint:40@3600", math.nan
    ),
    "override-left": FaultKind("setpoint", "value held, in its unit", "override-left:V-TB.command:40@60", math.nan),
    # devices
    "device-silent": FaultKind("device", "", "device-silent:BC-1@60+120"),
    "device-slow": FaultKind("device", "seconds that each answer takes", "device-slow:BC-1:2@60+120", 2.0),
    "device-rebooting": FaultKind("device", "", "device-rebooting:BC-1@60+45"),
    "device-renumbered": FaultKind("device", "its new number", "device-renumbered:BC-1:4000@60", math.nan),
    "duplicate-instance": FaultKind(
        "device", "number of another device", "duplicate-instance:BC-1:200102@60", math.nan
    ),
    "unit-dead": FaultKind("device", "seconds until its gateway says so", "unit-dead:CH-1-PANEL:1@60+300", 1.0),
    "clock-wrong": FaultKind("device", "seconds that its clock is off", "clock-wrong:BC-1:-3600", math.nan),
    "device-small": FaultKind("device", "octets of its largest APDU", "device-small:BC-1:206", 206.0),
}
