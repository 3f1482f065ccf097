"""Readings of the example plants that a technician can redo on paper.

Larkfield: chiller 1 alone, 1000 gpm 54/44 °F, condenser 1250 gpm 85/94.5 °F, 250 kW; the
exact load is 418.124 tons (computed with CoolProp 8.0.0). 95 °F and 40 % at 29.921 inHg is
75.076 °F wet bulb (psychrolib 2.5.0); 37.0 and 118.0 psig of R-134a are 41.995 and 97.019 °F.
Orchard: 45 L/s (162 m³/h) 12/7 °C, condenser 55 L/s (198 m³/h) 30/35 °C, 160 kW.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from plantview.derive import Derivation
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad
from tests.frames import NOW_MS, Change, frame_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from plantview.model.plant import Plant

LOAD_TONS = 418.124
CHILLER_KW, PUMPS_KW, FANS_KW = 250.0, 30.0 + 15.0 + 20.0, 12.0

LARKFIELD: dict[str, Change] = {
    "CH-1.status": "RUN",
    "CH-2.status": "OFF",
    "CH-3.status": "OFF",
    "CH-1.chws_temp": 44.0,
    "CH-1.chwr_temp": 54.0,
    "CH-1.chw_flow": 1_000.0,
    "CH-1.cws_temp": 85.0,
    "CH-1.cwr_temp": 94.5,
    "CH-1.cw_flow": 1_250.0,
    "CH-1.evap_pressure": 37.0,
    "CH-1.cond_pressure": 118.0,
    "CH-1.power": CHILLER_KW,
    "CH-2.chws_temp": 60.0,
    "CH-2.chwr_temp": 61.0,
    "CH-2.chw_flow": 0.0,
    "CH-2.power": 0.0,
    "CH-2.cws_temp": 80.0,
    "CH-2.cwr_temp": 80.0,
    "CH-2.cw_flow": 0.0,
    "CH-2.evap_pressure": 70.0,
    "CH-2.cond_pressure": 72.0,
    "CH-3.chws_temp": 60.0,
    "CH-3.chwr_temp": 61.0,
    "CH-3.chw_flow": 0.0,
    "CH-3.power": 0.0,
    "CH-3.cws_temp": 80.0,
    "CH-3.cwr_temp": 80.0,
    "CH-3.cw_flow": 0.0,
    "CH-3.evap_pressure": 70.0,
    "CH-3.cond_pressure": 72.0,
    "CWP-1.status": "RUN",
    "CWP-2.status": "OFF",
    "CWP-3.status": "OFF",
    "CWP-1.power": 30.0,
    "CWP-2.power": 0.0,
    "CWP-3.power": 0.0,
    "PCHWP-1.status": "RUN",
    "PCHWP-2.status": "OFF",
    "PCHWP-3.status": "OFF",
    "PCHWP-1.power": 15.0,
    "PCHWP-2.power": 0.0,
    "PCHWP-3.power": 0.0,
    "SCHWP-1.status": "RUN",
    "SCHWP-2.status": "OFF",
    "SCHWP-1.power": 20.0,
    "SCHWP-2.power": 0.0,
    "CT-1-FAN.status": "RUN",
    "CT-2-FAN.status": "OFF",
    "CT-3-FAN.status": "OFF",
    "CT-1-FAN.power": FANS_KW,
    "CT-2-FAN.power": 0.0,
    "CT-3-FAN.power": 0.0,
    "CT-1.isolation_valve": 100.0,
    "CT-2.isolation_valve": 0.0,
    "CT-3.isolation_valve": 100.0,
    "CT-1.leaving_temp": 83.0,
    "CT-2.leaving_temp": 70.0,
    "CT-3.leaving_temp": 87.0,
    "V-TWR.position": 100.0,
    "V-TB.position": 0.0,
    "cwp-out.temp": 85.0,
    "cwr.temp": 94.5,
    "chw-supply.temp": 44.0,
    "chw-return.temp": 54.0,
    "sec-out.flow": 800.0,
    "WEATHER.dry_bulb": 95.0,
    "WEATHER.relative_humidity": 40.0,
    "WEATHER.station_pressure": 29.9213,
}

ORCHARD: dict[str, Change] = {
    "CH-1.status": "RUN",
    "CH-1.chws_temp": 7.0,
    "CH-1.chwr_temp": 12.0,
    "CH-1.chw_flow": 162.0,
    "CH-1.cws_temp": 30.0,
    "CH-1.cwr_temp": 35.0,
    "CH-1.cw_flow": 198.0,
    "CH-1.power": 160.0,
    "CH-1.evap_pressure": 250.0,
    "CH-1.cond_pressure": 830.0,
    "CHWP-1.status": "RUN",
    "CHWP-1.power": 12.0,
    "CWP-1.status": "RUN",
    "CWP-1.power": 15.0,
    "CT-1-FAN-A.status": "RUN",
    "CT-1-FAN-A.power": 5.0,
    "CT-1-FAN-B.status": "RUN",
    "CT-1-FAN-B.power": 6.0,
    "V-TWR.position": 100.0,
    "V-TB.position": 0.0,
    "chw-supply.temp": 7.0,
    "chw-return.temp": 12.0,
    "basin.temp": 30.0,
    "cwr.temp": 35.0,
    "WEATHER.dry_bulb": 30.0,
    "WEATHER.relative_humidity": 60.0,
    "WEATHER.station_pressure": 990.0,
}

SILENT = bad("no answer in 2 s", NOW_MS - 70_000)


def in_hand(value: float) -> Reading:
    """Return a doubtful reading."""
    return Reading(value, Quality.UNCERTAIN, "in hand", NOW_MS)


def derived(
    plant: Plant, base: Mapping[str, Change], changes: Mapping[str, Change] | None = None
) -> dict[str, Reading]:
    """Return the derived readings of a base frame with some points changed."""
    return dict(Derivation(plant).run(frame_of(plant, {**base, **(changes or {})})).readings)


def number(reading: Reading) -> float:
    """Return the value of a reading that must have one."""
    assert reading.value is not None, reading.reason
    return reading.value
