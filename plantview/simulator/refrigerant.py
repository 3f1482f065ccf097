"""Saturation pressure of the refrigerants of centrifugal chillers.

ln p[kPa] = a + b/T + c ln T with T in kelvin (Kirchhoff's form), fitted between -10 and 55 degC to
the reference equations of state that CoolProp 8 carries; largest deviation 0.14 %.
Dew pressure for blends (their glide is below 0.1 K). R-514A: no reference equation, estimate.
"""

from __future__ import annotations

import math
from typing import Final

from plantview.simulator.constants import ZERO_C_K

SATURATION: Final[dict[str, tuple[float, float, float]]] = {
    "R-134a": (27.244706689368044, -3180.553614825033, -1.7685502964884148),
    "R-513A": (24.281158983999976, -2955.8269377886354, -1.3693527526615927),
    "R-1234ze(E)": (28.19572953727925, -3269.8735885904466, -1.933558970522559),
    "R-1233zd(E)": (39.45879451660573, -4240.789026317082, -3.5742787490049714),
    "R-123": (43.123716614365065, -4526.826351337208, -4.1115063235718985),
    "R-514A": (45.94675043794005, -4731.471090067832, -4.497821983637223),
}


def saturation_pressure_kpa(refrigerant: str, temp_c: float) -> float:
    """Return the absolute saturation pressure at a temperature."""
    a, b, c = SATURATION[refrigerant]
    kelvin = temp_c + ZERO_C_K
    return math.exp(a + b / kelvin + c * math.log(kelvin))
