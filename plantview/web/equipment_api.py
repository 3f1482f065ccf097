"""``GET /api/v1/equipment``: all equipment; with ``id`` one machine: what it has, what it lacks, how long it ran.

Run hours and starts are counted from the stored status of the last days; a step of more than a quarter of an hour
between two readings is counted as neither. An answer about one machine is kept for a minute.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from starlette.requests import Request
from starlette.responses import Response

from plantview.calcs.totals import GAP_H_MAX, run_hours_h, starts
from plantview.channel.client import ChannelClient
from plantview.history import Samples
from plantview.model.design import DESIGN
from plantview.model.measurements import measurement
from plantview.model.plant import Equipment, Plant
from plantview.model.quality import Quality
from plantview.units import fixed, shown
from plantview.web.answers import Json, Problem
from plantview.web.equipment_model import SYSTEMS, model_of
from plantview.web.frame_view import FrameView
from plantview.web.trends_past import PastReader

DAY_MS: Final = 86_400_000
HOUR_MS: Final = 3_600_000
DAYS: Final = 7
MODELLED: Final = frozenset({"chiller", "tower_cell"})
KEPT_MS: Final = 60_000
KEPT_MAX: Final = 100
CAUTION: Final = (
    "Design data and normal bands describe this plant as it was told and seen. Limits of the machine defer to its manual,"
    " local codes and licensed practice."
)


class EquipmentApi:
    """Answers from the description and from stored history."""

    def __init__(self, view: FrameView, client: ChannelClient, data: Path | None) -> None:
        self._view, self._client, self._past = view, client, PastReader(view, client, data)
        self._one = asyncio.Lock()
        self._kept: dict[str, tuple[int, dict[str, Any]]] = {}

    async def answer(self, request: Request) -> Response:
        """Return one machine, or a list of all."""
        plant, name = self._view.plant, request.query_params.get("id")
        if name is None:
            return Json([_told(item) for item in plant.equipment.values()])
        if name not in plant.equipment:
            raise Problem(404, f"no equipment '{name[:40]}' in this plant", "/api/v1/equipment lists all")
        item = plant.equipment[name]
        unbound: Mapping[str, str] = self._view.hello.get("unbound", {})
        own = [name, *(part.id for part in plant.equipment.values() if part.part_of == name)]
        return Json(
            {
                **_told(item),
                "parts": own[1:],
                "design_shown": {system: design_shown(item, system) for system in SYSTEMS},
                "traits": dict(item.traits),
                "signals": [each.name for each in self._view.signals.values() if each.equipment in own],
                "derived": [
                    each.name for each in self._view.signals.values() if each.equipment in own and each.derived
                ],
                "unbound": {key: why for key, why in unbound.items() if key.partition(".")[0] in own},
                "running": await self._ran(item),
                "model": await model_of(self._client, name) if item.kind in MODELLED else None,
                "caution": CAUTION,
            }
        )

    async def _ran(self, item: Equipment) -> dict[str, Any]:
        point = status_of(self._view.plant, item)
        if point is None:
            return {"point": None, "why_not": why_not_counted(item)}
        async with self._one:
            now_ms = self._view.now_ms()
            made_ms, body = self._kept.get(point, (-KEPT_MS, {}))
            if not 0 <= now_ms - made_ms < KEPT_MS:
                body = await self._counted(point, now_ms)
                self._kept = dict(list(self._kept.items())[-KEPT_MAX:]) | {point: (now_ms, body)}
        return body

    async def _counted(self, point: str, now_ms: int) -> dict[str, Any]:
        signal = self._view.signals[point]
        found, past = await self._past.samples([signal], now_ms - DAYS * DAY_MS, now_ms + 1)
        today_ms = midnight_ms(now_ms, self._view.plant.zone)
        spans = {"today": today_ms, "week": now_ms - DAYS * DAY_MS}
        ran = {name: ran_since(found[point], since) for name, since in spans.items()}
        return {"point": point, "today_ms": today_ms, "trouble": past.trouble, **ran}


def design_shown(item: Equipment, system: str) -> dict[str, str]:
    """Return the design data of a machine as a viewer of a unit system reads them."""
    told = {}
    for name, value in item.design.items():
        quantity = DESIGN.get(item.kind, {}).get(name)
        if quantity is not None:
            target, digits = shown(quantity, system)
            told[name] = f"{fixed(target.from_canonical(value), digits)} {target.label}".strip()
    return told


def status_of(plant: Plant, item: Equipment) -> str | None:
    """Return the point that says whether a machine runs; of a tower cell that of its first fan that has one."""
    for owner in (item.id, *(fan.id for fan in plant.parts_of(item.id, "fan"))):
        if plant.point(owner, "status") is not None:
            return f"{owner}.status"
    return None


def why_not_counted(item: Equipment) -> str:
    """Return why a machine's hours cannot be counted, and what would help where something would."""
    if item.kind == "tower_cell":
        return "no point says whether its fan runs: add the fan's status to points.csv"
    if measurement(item.kind, "status") is None:
        return f"a {item.kind.replace('_', ' ')} has no run status"
    return "no point says whether it runs: add its status to points.csv"


def midnight_ms(now_ms: int, zone: str) -> int:
    """Return when the site's day began."""
    now = datetime.fromtimestamp(now_ms / 1_000, ZoneInfo(zone))
    return round(now.replace(hour=0, minute=0, second=0, microsecond=0).timestamp() * 1_000)


def ran_since(samples: Samples, since_ms: int) -> dict[str, float | int | None]:
    """Return hours run, starts, and the hours in which the status was known; None where it never was."""
    inside = samples.at_ms >= since_ms
    hours = (samples.at_ms[inside] - since_ms) / HOUR_MS
    states = np.where(samples.quality[inside] < Quality.STALE, samples.values[inside], np.nan)
    hours, place = np.unique(hours, return_index=True)
    states = states[place]
    if not np.isfinite(states).any():
        return {"run_h": None, "starts": None, "seen_h": 0.0}
    steps = np.diff(hours)
    seen = steps[(steps <= GAP_H_MAX) & np.isfinite(states[:-1])].sum()
    on = np.where(np.isfinite(states), (states > 0).astype(float), np.nan)
    return {"run_h": run_hours_h(hours.tolist(), on.tolist()), "starts": starts(on.tolist()), "seen_h": float(seen)}


def _told(item: Equipment) -> dict[str, str]:
    return {"id": item.id, "kind": item.kind, "label": item.label, "part_of": item.part_of, "building": item.building}
