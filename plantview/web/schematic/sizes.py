"""Sizes of what stands on a drawing, in drawing units: texts, machines, valves."""

from __future__ import annotations

from typing import Final

MARGIN: Final = 20.0

VALUE: Final = 34.0
FLOW: Final = 26.0
DUTY: Final = 24.0
NAME: Final = 30.0
LONG_NAME: Final = 26.0
STATE: Final = 24.0
LABEL: Final = 23.0
SMALL: Final = 22.0
"""The floor: nothing is smaller, units excepted."""
UNIT: Final = 21.0
"""The floor of units beside their number."""

TOWER_W: Final = 238.0
CHILLER_W: Final = 448.0
VESSEL_W: Final = 48.0
COIL_W: Final = 58.0
COIL_TEXT_W: Final = 178.0
PUMP_R: Final = 28.0
VALVE_W: Final = 44.0
VALVE_H: Final = 28.0
PUMP_TEXT_W: Final = 174.0
"""Texts below a pump may reach into the gaps beside its column."""

CLEAR: Final = 30.0
"""Between two pipes that run side by side."""
HEIGHT: Final = {"chiller": 190.0, "tower_cell": 192.0, "heat_exchanger": 120.0, "recovery": 120.0}
FANS_MAX: Final = 4
"""Fans of a cell that are drawn; more are counted."""
FAN_ROW: Final = 27.0
LINE: Final = 1.05
"""From line to line of a name in two lines, in its size."""
OTHER_W: Final = 150.0
"""Of a machine without a shape of its own."""
