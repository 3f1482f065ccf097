"""Limits of a starting set that follow from a machine's design data, in SI units."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

KW_PER_TON: Final = 3.51685
"""One ton of refrigeration, 12 000 Btu/h, in kW."""


@dataclass(frozen=True, slots=True)
class FromDesign:
    """A limit worked out from design data; KeyError if one of them is not given."""

    work_out: Callable[[Mapping[str, float]], float]
    unit: str
    digits: int

    def text(self, design: Mapping[str, float]) -> str:
        """Return the limit as it stands in a row."""
        return f"{self.work_out(design):.{self.digits}f} {self.unit}"


LIMITS: Final[dict[str, FromDesign]] = {
    "{each}.CHW-FLOW-LO": FromDesign(lambda d: 0.95 * d["min_chw_flow"], "L/s", 1),
    "{each}.CW-FLOW-LO": FromDesign(lambda d: 0.95 * d["min_cw_flow"], "L/s", 1),
    "{each}.CWS-LO": FromDesign(lambda d: d["min_cws_temp"], "degC", 1),
    "{each}.CWS-HI": FromDesign(lambda d: d["cws_temp"] + 2.8, "degC", 1),
    "{each}.COND-APPROACH": FromDesign(lambda d: d["cond_approach"] + 1.5, "K", 1),
    "{each}.EVAP-APPROACH": FromDesign(lambda d: d["evap_approach"] + 1.6, "K", 1),
    "{each}.KW-PER-TON": FromDesign(lambda d: 1.6 * d["power"] / d["cooling_capacity"] * KW_PER_TON, "kW/ton", 2),
    "{each}.LEVEL-LO": FromDesign(lambda d: 0.75 * d["level"], "m", 2),
    "CHW-DELTA-T-LO": FromDesign(lambda d: 0.36 * (d["chwr_temp"] - d["chws_temp"]), "K", 1),
}
"""Id of a row -> its limit; how far from design is common practice, no source."""
