"""What is known of a machine's own model: when and from what it was fitted, how well, and where it holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from plantview.channel.client import ChannelClient
from plantview.units import fixed, shown
from plantview.web.answers import Problem
from plantview.web.field_asks import ask_field

SYSTEMS: Final = ("si", "ip")
_QUANTITY: Final = {
    "kW": "heat_flow", "°C": "temperature", "K": "temperature_difference", "L/s": "flow", "%": "percent",
}  # fmt: skip
"""Unit of a model's input as it was learned -> quantity; a load is heat, whose kW a viewer may read in tons."""
_MISSED_BY: Final = {"chiller": "power", "tower_cell": "temperature_difference"}
KEPT: Final = ("kind", "learned_ms", "from_ms", "to_ms", "samples", "held_back", "cv_rmse_pct", "gordon_ng_cv_rmse_pct")


async def model_of(client: ChannelClient, machine: str) -> dict[str, Any] | None:
    """Return the model of a machine as the field process has it; None where there is none, or nobody answers."""
    try:
        told = await ask_field(client, "models", {})
    except Problem:
        return None
    row = told["machines"].get(machine)
    return None if row is None else model_shown(row)


def model_shown(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a model's record with its numbers as a viewer of either unit system reads them."""
    quantity = _MISSED_BY[row["kind"]]
    return {
        **{name: row[name] for name in KEPT},
        "remarks": list(row["remarks"]),
        "band_shown": {system: _text(row["band"], quantity, system) for system in SYSTEMS},
        "rmse_shown": {system: _text(row["rmse"], quantity, system) for system in SYSTEMS},
        "holds_shown": {system: _holds(row["holds_for"], system) for system in SYSTEMS},
    }


def _text(value: float, quantity: str, system: str) -> str:
    unit, _ = shown(quantity, system)
    return f"{float(f'{unit.from_canonical(value):.2g}'):g} {unit.label}"


def _holds(axes: Sequence[Mapping[str, Any]], system: str) -> list[str]:
    """Return of each input the range in which the machine was seen."""
    found = []
    for axis in axes:
        unit, digits = shown(_QUANTITY[axis["unit"]], system)
        low, high = (fixed(unit.from_canonical(axis[end]), digits) for end in ("low", "high"))
        found.append(f"{axis['name']} {low} to {high} {unit.label}")
    return found
