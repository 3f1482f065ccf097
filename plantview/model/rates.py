"""What a unit of electricity costs and emits at a plant, as its description says."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rates:
    """One flat rate; a tariff by hour or demand is not modelled, and pages say so."""

    energy_price: float | None = None
    """Per kWh, in ``currency``; None where nothing is said."""
    currency: str = ""
    carbon_kg_per_kwh: float | None = None
    """kg CO2e per kWh; None where nothing is said."""
