"""What the refrigerant side of a machine suffers from, and how it shows.

Directions and sizes: ASHRAE RP-1043 (Comstock and Braun 1999, 90-ton R-134a centrifugal, data from
memory): 40 % leak halves condenser approach and subcooling; 10 % overcharge raises both by a fifth
to a third, and the head; 1 % of non-condensables adds 2.4 K to the head and the same of false
subcooling; 14 % too much oil warms the sump by 1.3 K. Straight lines between; low charge reaches
the evaporator last (Comstock and Braun: rising approach and superheat, falling suction).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

NON_CONDENSABLE_K: Final = 2.4
"""Head above the saturation of the pure refrigerant, for each % of foreign gas."""
UNCOVERED_SHARE: Final = 1.3
"""Condenser approach and subcooling fall so per share of charge lost: less liquid covers fewer tubes."""
COVERED_SHARE: Final = 2.0
STARVED_AT: Final = 0.7
"""Below this charge the evaporator's upper tubes run dry."""
STARVED_SHARE: Final = 2.5
STARVED_SUPERHEAT_K: Final = 14.0
OVERFED_EVAPORATOR: Final = 0.5
OIL_FILM: Final = 0.25
OIL_SUMP_K: Final = 9.0
OIL_CAPACITY_FROM: Final = 0.3
OIL_CAPACITY: Final = 0.3
SUBCOOLING_K: Final = (1.5, 4.0)
"""At no load, and more at full load."""
SUPERHEAT_K: Final = (0.3, 0.5)
DISCHARGE_LIFT: Final = 1.25
"""Rise of the gas over suction, per kelvin of lift (compression and motor heat)."""


@dataclass(slots=True)
class Condition:
    """Charge as a share of the right one, % of foreign gas, excess oil as a share."""

    charge: float = 1.0
    foreign_gas_pct: float = 0.0
    oil_excess: float = 0.0

    @property
    def flooded(self) -> float:
        """Return the factor on condenser approach and subcooling from how far liquid covers its tubes."""
        off = self.charge - 1
        return max(1 + (COVERED_SHARE if off > 0 else UNCOVERED_SHARE) * off, 0.1)

    @property
    def starved(self) -> float:
        """Return how far the charge is below what the evaporator needs."""
        return max(STARVED_AT - self.charge, 0.0)

    @property
    def evaporator_film(self) -> float:
        """Return the factor on the evaporator approach."""
        overfed = OVERFED_EVAPORATOR * max(self.charge - 1, 0.0)
        return 1 + STARVED_SHARE * self.starved + overfed + OIL_FILM * self.oil_excess

    @property
    def foreign_gas_k(self) -> float:
        """Return how much the head stands above the refrigerant's own saturation, as a temperature."""
        return NON_CONDENSABLE_K * self.foreign_gas_pct

    @property
    def capacity_share(self) -> float:
        """Return what is left of the capacity; oil and an empty evaporator take theirs late."""
        oil = OIL_CAPACITY * max(self.oil_excess - OIL_CAPACITY_FROM, 0.0)
        return max(1 - oil - 0.8 * self.starved, 0.2)

    def subcooling_k(self, part_load: float) -> float:
        """Return condensing temperature of the refrigerant itself minus liquid."""
        return (SUBCOOLING_K[0] + SUBCOOLING_K[1] * part_load) * self.flooded

    def superheat_k(self, part_load: float) -> float:
        """Return suction gas minus evaporating temperature."""
        return SUPERHEAT_K[0] + SUPERHEAT_K[1] * part_load + STARVED_SUPERHEAT_K * self.starved
