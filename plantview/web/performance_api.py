"""``GET /api/v1/performance?days=1|7|30``: what the plant did, worked out from stored history in a thread.

All numbers are SI: kW, kWh, °C, %, and kW/ton for efficiency. An answer is kept for a minute.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response

from plantview.channel.client import ChannelClient
from plantview.errors import HistoryError
from plantview.history import Archive, Samples
from plantview.model.signal import Signal
from plantview.web import performance as work
from plantview.web.answers import Json, Problem
from plantview.web.frame_view import FrameView
from plantview.web.performance_balance import tolerance
from plantview.web.performance_unsure import Unsure, heats_of, meters_of
from plantview.web.trends_past import RECENT_MS, PastReader

DAYS: Final = {1: 1, 7: 3, 30: 12}
"""Days that may be asked for -> intervals of five minutes in one step of a curve."""
DAY_MS: Final = 86_400_000
OWN_DAYS: Final = 90
"""How far back the plant's own best is looked for."""
KEPT_MS: Final = 60_000
CAUTION: Final = (
    "These are sums over stored readings, no guarantee and no bill. Limits of a machine defer to its manual, local codes"
    " and licensed practice: a lower kW/ton is no reason to leave them."
)


class PerformanceApi:
    """Answers from stored history; one question at a time, the last answers kept."""

    def __init__(self, view: FrameView, client: ChannelClient, data: Path | None) -> None:
        self._view, self._data = view, data
        self._past = PastReader(view, client, data)
        self._one = asyncio.Lock()
        self._kept: dict[int, tuple[int, dict[str, Any]]] = {}

    async def answer(self, request: Request) -> Response:
        """Return the performance of the last 1, 7 or 30 days."""
        text = request.query_params.get("days", "1")
        if text not in {str(days) for days in DAYS}:
            raise Problem(400, "'days' must be 1, 7 or 30", "correct 'days'")
        if self._data is None:
            raise Problem(409, "no history is kept here", "start with a data folder")
        days = int(text)
        async with self._one:
            made_ms, body = self._kept.get(days, (-KEPT_MS, {}))
            if not 0 <= self._view.now_ms() - made_ms < KEPT_MS:
                made_ms, body = self._view.now_ms(), await self._worked_out(days, self._data)
                self._kept[days] = made_ms, body
        return Json(body)

    async def _worked_out(self, days: int, data: Path) -> dict[str, Any]:
        signals, plant = self._view.signals, self._view.plant
        groups = work.groups_of(plant, signals)
        compared = work.needed(groups, signals)
        names = tuple(dict.fromkeys((*compared, *self._behind(groups))))
        to_ms = self._view.now_ms() // work.BIN_MS * work.BIN_MS
        wanted = [signals[name] for name in names]
        tails, past = await self._past.samples(wanted, to_ms - RECENT_MS, to_ms)
        archive = Archive.of(plant, data)
        try:
            series, own = await asyncio.to_thread(_read, archive, wanted, compared, tails, to_ms, days)
        except HistoryError as error:
            raise Problem(409, f"the history cannot be read: {error}", "look at the health page") from error
        from_ms, low_kw = to_ms - days * DAY_MS, work.floor_kw(plant)
        seen = work.seen_of(series, groups, from_ms, days * DAY_MS // work.BIN_MS, low_kw)
        own_from = to_ms // work.HOUR_MS * work.HOUR_MS - OWN_DAYS * DAY_MS
        before = work.seen_of(own, groups, own_from, OWN_DAYS * 24, low_kw)
        return {
            "days": days, "from_ms": from_ms, "to_ms": to_ms, "live": past.live,
            "trouble": [*past.trouble, *archive.trouble], "caution": CAUTION,
            "unbound": self._unbound(), "boundary": self._boundary(),
            **work.summary(seen), "curve": work.over_time(seen, DAYS[days]), "duration": work.duration(seen),
            "unsure": Unsure(plant, signals, series, seen).told(),
            "tolerance": tolerance(plant, series, seen, DAYS[days]),
            "capacity_kw": work.capacity_kw(plant), "best": work.against_best(seen, before, work.capacity_kw(plant)),
            "rates": rates_of(self._view),
        }  # fmt: skip

    def _behind(self, groups: Sequence[work.Group]) -> tuple[str, ...]:
        """Return the sensors behind the sums, and the load of each chiller."""
        signals, plant = self._view.signals, self._view.plant
        meters = [name for group in groups for name in meters_of(group.signals, plant, signals)]
        heats = [name for heat in heats_of(plant, signals) for name in heat.names]
        loads = [f"{one.id}.cooling_load" for one in plant.of_kind("chiller")]
        return tuple(name for name in (*meters, *heats, *loads) if name in signals)

    def _unbound(self) -> dict[str, str]:
        """Return what the plant cannot say, with the reason."""
        told: Mapping[str, str] = self._view.hello.get("unbound", {})
        return {name: why for name, why in told.items() if name.startswith("PLANT.")}

    def _boundary(self) -> str:
        power = self._view.signals.get("PLANT.power_input")
        return power.note if power is not None else ""


def rates_of(view: FrameView) -> dict[str, Any] | None:
    """Return the rates of the plant description; None where it has none."""
    rates = view.plant.rates
    if rates is None:
        return None
    return {
        "energy_price": rates.energy_price, "currency": rates.currency, "carbon_kg_per_kwh": rates.carbon_kg_per_kwh,
    }  # fmt: skip


def _read(
    archive: Archive,
    signals: list[Signal],
    compared: Sequence[str],
    tails: Mapping[str, Samples],
    to_ms: int,
    days: int,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return means per five minutes of the stretch, and per hour of the plant's own past what is compared with it."""
    of = {signal.name: signal for signal in signals}
    series = {}
    for names, span_ms, end_ms, step_ms, resolution in (
        (tuple(of), days * DAY_MS, to_ms, work.BIN_MS, "5 min"),
        (compared, OWN_DAYS * DAY_MS, to_ms // work.HOUR_MS * work.HOUR_MS, work.HOUR_MS, "1 h"),
    ):
        count = span_ms // step_ms
        found = archive.reduced_all(
            list(names), end_ms - span_ms, end_ms, count + 1, tails=tails, resolution=resolution
        )
        series[step_ms] = {
            name: work.laid(rows, of[name], end_ms - span_ms, count, step_ms) for name, rows in found.items()
        }
    return series[work.BIN_MS], series[work.HOUR_MS]
