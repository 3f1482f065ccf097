"""How each signal is drawn in a trend: colour by the water it tells about, not by its place in a list.

Also the drawing script itself, which is served from the package that carries it.
"""

from __future__ import annotations

import importlib.metadata
import importlib.util
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from starlette.responses import Response

from plantview.model.plant import Plant
from plantview.model.services import service_of
from plantview.model.signal import Signal
from plantview.web.answers import Problem

CARRIER: Final = "uplot-python"
FILES: Final = {"/lib/uplot.js": ("uPlot.iife.js", "text/javascript"), "/lib/uplot.css": ("uPlot.min.css", "text/css")}
"""Path -> file of the package, media type. Pages ask with the version behind a question mark."""
YEAR_S: Final = 31_536_000
CHILLED, CONDENSER, PLAIN = "chilled", "condenser", "plain"
_BY_WORD: Final = (("chw", CHILLED), ("evap", CHILLED), ("cw", CONDENSER), ("cond", CONDENSER), ("tower", CONDENSER))
_BY_KIND: Final = {"tower_cell": CONDENSER, "fan": CONDENSER, "basin": CONDENSER, "coil": CHILLED}


def lines(plant: Plant, signals: Mapping[str, Signal]) -> dict[str, tuple[str, str]]:
    """Return for every signal its water (``chilled``, ``condenser`` or ``plain``), and ``supply``, ``return`` or nothing."""
    headers = {
        header: (loop.water, service_of(loop, header)) for loop in plant.loops.values() for header in loop.headers
    }
    return {name: (_water(plant, signal, headers), _way(signal, headers)) for name, signal in signals.items()}


def _water(plant: Plant, signal: Signal, headers: Mapping[str, tuple[str, str]]) -> str:
    named = next((water for start, water in _BY_WORD if signal.measurement.startswith(start)), None)
    if named is not None:
        return named
    if signal.equipment in headers:
        return headers[signal.equipment][0]
    equipment = plant.equipment.get(signal.equipment)
    if equipment is not None and equipment.kind in _BY_KIND:
        return _BY_KIND[equipment.kind]
    waters = {
        loop.water
        for loop in plant.loops.values()
        for stage in loop.stages
        for port in stage.ports()
        if port.equipment == signal.equipment
    }
    return waters.pop() if len(waters) == 1 else PLAIN


def _way(signal: Signal, headers: Mapping[str, tuple[str, str]]) -> str:
    pipe = signal.measurement.partition("_")[0].upper()
    if signal.equipment in headers and signal.measurement == "temp":
        pipe = headers[signal.equipment][1]
    ends = {"CHWS": "supply", "CWS": "supply", "HWS": "supply", "CHWR": "return", "CWR": "return", "HWR": "return"}
    return ends.get(pipe, "")


def library_version() -> str:
    """Return the version of the drawing script's package, for the address under which browsers keep it."""
    return importlib.metadata.version(CARRIER)


class Library:
    """The drawing script, read once when first asked for."""

    def __init__(self) -> None:
        self._read: dict[str, bytes] = {}

    def answer(self, path: str) -> Response:
        """Return one of its files; it may be kept for a year, for its address carries the version."""
        file, media_type = FILES[path]
        if path not in self._read:
            self._read[path] = _folder().joinpath(file).read_bytes()
        keep = f"public, max-age={YEAR_S}, immutable"
        return Response(self._read[path], media_type=media_type, headers={"cache-control": keep})


def _folder() -> Path:
    # found without importing it, which would start an interactive shell's packages
    found = importlib.util.find_spec("uplot")
    if found is None or not found.submodule_search_locations:
        raise Problem(503, f"the package {CARRIER} is not installed", f"install it with: pip install {CARRIER}")
    return Path(found.submodule_search_locations[0]) / "static"
