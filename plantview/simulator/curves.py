"""Published part-load performance of chillers.

Source: EnergyPlus chiller data sets (Chiller:Electric:ReformulatedEIR and Chiller:Electric:EIR),
as published with the Modelica Buildings library; equations EnergyPlus Engineering Reference 22.1.
Only sets that were validated over their range are here: kW/ton between 0.35 and 1.2 from 25 to
100 % load with condenser water of 21.5 to 29 degC (vanes: 15 to 26 degC), and rising with it
(tests/standards/test_simulator_chiller.py).
Air-cooled: the curve set that the OpenStudio SDK gives an electric chiller by default, for outdoor
air of 24 to 35 degC; between those kW/ton rises with the air, and is 0.55 to 1.2 at a design COP of 3.1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

Polynomial = tuple[float, ...]
LEAST_RATIO: Final = 0.1001
MOST_RATIO: Final = 0.3384
"""Power over cooling: 0.352 and 1.19 kW/ton."""
BEND: Final = 12


@dataclass(frozen=True, slots=True)
class Curves:
    """One set: reference point, capacity and power corrections, limits."""

    capacity_kw: float
    cop: float
    leaving_condenser: bool
    """The condenser temperature of the curves is the leaving one (reformulated) or the entering one."""
    capacity_ft: Polynomial
    power_ft: Polynomial
    power_plr: Polynomial
    """Ten terms of leaving temperature and part load, or three of part load alone."""
    chws_c: tuple[float, float]
    condenser_c: tuple[float, float]
    plr: tuple[float, float]

    def available_kw(self, chws_c: float, condenser_c: float) -> float:
        """Return the most cooling at these temperatures."""
        return self.capacity_kw * _biquadratic(self.capacity_ft, chws_c, condenser_c)

    def power_kw(self, load_kw: float, chws_c: float, condenser_c: float) -> float:
        """Return the power input at a load; below the least part load the machine cycles."""
        available = self.available_kw(chws_c, condenser_c)
        part = load_kw / available
        cycling = min(1.0, part / self.plr[0])
        part = min(max(part, self.plr[0]), self.plr[1])
        shape = self.power_plr
        by_part = (
            _bicubic(shape, condenser_c, part) if len(shape) == 10 else shape[0] + part * (shape[1] + part * shape[2])
        )
        return available / self.cop * _biquadratic(self.power_ft, chws_c, condenser_c) * by_part * cycling

    def scaled(self, capacity_kw: float, power_ratio: float = 1.0) -> Curves:
        """Return the set for a machine of another size, with another full-load power."""
        return replace(self, capacity_kw=capacity_kw, cop=self.cop / power_ratio)


def believable_kw(power_kw: float, load_kw: float, capacity_kw: float) -> float:
    """Return a water-cooled machine's power, held between 0.35 and 1.2 kW/ton from a quarter of its load up.

    The published sets promise 0.2 kW/ton where the lift is smallest, and too much at low load and high lift: there
    a real compressor is at its least speed, and its maker's curves were never measured. Both bounds bend the
    curve smoothly, so that power goes on rising with condenser water (own choice; inside, below 1 % of change).
    """
    if load_kw <= 0:
        return power_kw
    ratio = power_kw / load_kw
    most = MOST_RATIO * max(0.25 * capacity_kw / load_kw, 1.0)
    raised = (ratio**BEND + LEAST_RATIO**BEND) ** (1 / BEND)
    return float(load_kw * (raised**-BEND + most**-BEND) ** (-1 / BEND))


def _biquadratic(c: Polynomial, x: float, y: float) -> float:
    return c[0] + x * (c[1] + c[2] * x + c[5] * y) + y * (c[3] + c[4] * y)


def _bicubic(c: Polynomial, x: float, y: float) -> float:
    return (
        c[0]
        + x * (c[1] + c[2] * x + c[5] * y)
        + y * (c[3] + c[4] * y)
        + c[6] * x**3
        + c[7] * y**3
        + c[8] * x * x * y
        + c[9] * x * y * y
    )


VARIABLE_SPEED: Final = Curves(
    capacity_kw=2_317.4,
    cop=6.33,
    leaving_condenser=True,
    capacity_ft=(0.6632457, 0.004608638, -0.001100111, 0.01651605, -0.0004753748, 0.001648311),
    power_ft=(0.2905409, -0.02093028, 0.0009792522, 0.01493146, 0.0003511684, -0.0008356167),
    power_plr=(-0.4540034, 0.03433262, 4.845589e-05, 0.979919, 0.2028044, -0.03705958, 0.0, 0.3066979, 0.0, 0.0),
    chws_c=(4.44, 8.89),
    condenser_c=(17.67, 35.67),
    plr=(0.10, 1.04),
)
"""Reformulated EIR, 660-ton centrifugal with variable speed drive (2317 kW, COP 6.33)."""

INLET_VANES: Final = Curves(
    capacity_kw=1_055.0,
    cop=5.96,
    leaving_condenser=False,
    capacity_ft=(0.1785912, -0.05900023, -0.0005946963, 0.09297889, -0.002841024, 0.004974221),
    power_ft=(0.524511, -0.02850126, 0.000803472, 0.01893133, 0.0001151629, -9.340642e-05),
    power_plr=(0.2619878, 0.2393605, 0.4988306),
    chws_c=(4.44, 8.89),
    condenser_c=(15.0, 32.0),
    plr=(0.10, 1.05),
)
"""EIR, 300-ton centrifugal with inlet vanes at constant speed (1055 kW, COP 5.96)."""

AIR_COOLED: Final = Curves(
    capacity_kw=1_000.0,
    cop=3.1,
    leaving_condenser=False,
    capacity_ft=(1.0215158, 0.037035864, 0.0002332476, -0.003894048, -6.52536e-05, -0.0002680452),
    power_ft=(0.70176857, -0.00452016, 0.0005331096, -0.005498208, 0.0005445792, -0.0007290324),
    power_plr=(0.06369119, 0.58488832, 0.35280274),
    chws_c=(5.0, 10.0),
    condenser_c=(24.0, 35.0),
    plr=(0.10, 1.02),
)
"""EIR on outdoor air; condenser fans are in its power."""

SETS: Final = {"variable speed": VARIABLE_SPEED, "constant speed": INLET_VANES}
"""By the drive of the compressor."""
