"""Liquid water between 0 and 60 degC: density, enthalpy and back.

Polynomials fitted to the IAPWS-95 formulation at 350 kPa absolute. Enthalpy counts from about
0 degC; carrying enthalpy instead of temperature makes mixing and storage conserve energy exactly.
"""

from __future__ import annotations


def enthalpy_kj_kg(temp_c: float) -> float:
    """Return the enthalpy; agrees with IAPWS-IF97 to 0.03 kJ/kg."""
    return 0.004936234599466153 + temp_c * (
        4.21531424648508
        + temp_c * (-0.0013087788782536736 + temp_c * (1.9652416183813955e-05 - temp_c * 1.016448940478144e-07))
    )


def temp_c(enthalpy: float) -> float:
    """Return the temperature; inverse of ``enthalpy_kj_kg`` to 0.0001 K."""
    return -0.0011095722411189298 + enthalpy * (
        0.23722142246934952
        + enthalpy * (1.7757201184766915e-05 + enthalpy * (-6.342556593287056e-08 + enthalpy * 7.793199211210362e-11))
    )


def density_kg_l(temp_c: float) -> float:
    """Return the density; agrees with IAPWS-95 to 0.01 %."""
    return 1.000027303806371 + temp_c * (
        4.443915605114645e-05 + temp_c * (-7.02829802875167e-06 + temp_c * 2.75634720468654e-08)
    )


def specific_heat(temp_c: float) -> float:
    """Return dh/dT of the enthalpy above [kJ/kg.K]."""
    return 4.21531424648508 + temp_c * (
        -0.0026175577565073472 + temp_c * (5.8957248551441865e-05 - temp_c * 4.065795761912576e-07)
    )
