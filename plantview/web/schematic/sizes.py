"""Sizes of the wall drawing in drawing units."""

from __future__ import annotations

from typing import Final

MARGIN: Final = 20.0

VALUE: Final = 34.0
FLOW: Final = 26.0
DUTY: Final = 24.0
NAME: Final = 30.0
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
PUMP_R: Final = 30.0
VALVE_W: Final = 44.0
VALVE_H: Final = 28.0
COLUMN_W: Final = 150.0
COLUMN_UNDER_VALVES_W: Final = 216.0
"""A column that a valve's link crosses: the labels of the valve need the length."""
PUMP_TEXT_W: Final = 180.0
"""Texts below a pump may reach into the gaps beside its column."""

ZONE_W: Final = {"chiller": 160.0, "tower_cell": 158.0, "coil": 182.0}
"""Room beside an end machine for its valves, temperatures and flow."""
MAIN_STEP: Final = 60.0
"""Between two mains in one gap."""
LINKED_STEP: Final = 166.0
VALVED_STEP: Final = 206.0
"""Between two mains in one gap that a bypass joins, without and with a valve in it."""
CLEAR: Final = 30.0
"""Between two pipes that run side by side."""
GAP_PAD: Final = 21.0

PITCH: Final = {
    "chiller": 220.0,
    "tower_cell": 220.0,
    "coil": 182.0,
    "pump": 176.0,
    "heat_exchanger": 204.0,
    "recovery": 204.0,
}
"""Least lane width of each kind; others take that of a pump."""
HEIGHT: Final = {"chiller": 190.0, "tower_cell": 192.0, "heat_exchanger": 120.0, "recovery": 120.0}
OFFSET: Final = {"chiller": 56.0, "tower_cell": 56.0, "coil": 40.0, "heat_exchanger": 40.0, "recovery": 40.0}
"""From a lane's middle to its two ports."""
SERIES_W: Final = 44.0
"""More room beside end machines in series, for the pipe from one to the next."""
EXCHANGER_GAP: Final = {False: 24.0, True: 132.0}
"""Between the chillers' lanes and those of the heat exchangers, without and with a bypass around one."""
DECK_GAP: Final = 300.0
"""Between the plant and a loop of hot water below it: room for bypasses and plates."""

LEVEL_ABOVE: Final = 114.0
LEVEL_BELOW: Final = 56.0
"""Between two links above and below the lanes; above, labels stand between them."""
NEAREST: Final = {"above": 46.0, "below": 42.0, "below pumps": 72.0}
"""From the lanes to the first link; texts of pumps reach below the lanes."""
TARGET_ASPECT: Final = 2.4
"""Small plants are spread out to this ratio of width to height, that of a wall screen's field."""
