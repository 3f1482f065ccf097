"""The four pipe names, worked out from where a header stands in its ring.

The chiller supplies chilled water, so the pipe that leaves it is CHWS and the one that
comes back CHWR; the tower supplies condenser water, so the pipe that leaves the tower
is CWS and the one that leaves the chiller's condenser is CWR (common practice, no source).
"""

from __future__ import annotations

from typing import Final

from plantview.model.plant import Bypass, Loop

_MAKER: Final = {"chilled": "chiller", "condenser": "tower_cell", "hot": "chiller"}
_USER: Final = {"chilled": ("coil",), "condenser": ("chiller",), "hot": ("coil",)}
_LETTERS: Final = {"chilled": "CHW", "condenser": "CW", "hot": "HW"}

WORDS: Final = {
    "CHWS": "chilled water supply (CHWS)",
    "CHWR": "chilled water return (CHWR)",
    "CWS": "condenser water supply (CWS)",
    "CWR": "condenser water return (CWR)",
    "HWS": "hot water supply (HWS)",
    "HWR": "hot water return (HWR)",
}


def service_of(loop: Loop, header: str) -> str:
    """Return CHWS, CHWR, CWS, CWR, HWS or HWR for a header of a loop.

    Walking down the ring from the header, the first machine met decides: a user of the
    water means supply, its maker means return.
    """
    letters = _LETTERS[loop.water]
    at = header
    for _ in loop.headers:
        stage = next((stage for stage in loop.stages if stage.start == at), None)
        if stage is None:
            break
        if stage.kind in _USER[loop.water]:
            return letters + "S"
        if stage.kind == _MAKER[loop.water]:
            return letters + "R"
        at = stage.end
    return letters + "S"


def ends_of(loop: Loop, bypass: Bypass) -> tuple[str, str]:
    """Return what the two pipes that a bypass joins are called: their services, or their headers if that is one."""
    one, two = service_of(loop, bypass.start), service_of(loop, bypass.end)
    return (one, two) if one != two else (bypass.start, bypass.end)
