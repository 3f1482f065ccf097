"""``GET /api/v1/history``: what was read of some points over a while, as JSON, CSV or packed numbers.

``point`` may be given several times; ``from`` and ``to`` are RFC 3339 times or UTC milliseconds; ``units`` is
``reported``, ``si`` or ``ip``. Without ``width`` every sample is given, for a day at most. With it the span is
laid over so many columns, each with the lowest and the highest number in it, their mean (of a state the last one)
and the worst quality of what was read in it, gaps included; null where nothing was read.

``form=packed`` (for the page) is little-endian: u32 columns n, u32 points k, n u32 seconds since 1970 (middles of the
columns); then per point f64 base, n f32 low, n f32 high, n f32 mid, each less the base, and n u8 quality (0 to 3 as
elsewhere, 4 a gap, 5 nothing was read here), padded to four bytes.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from starlette.requests import Request
from starlette.responses import Response

from plantview.clock import utc_text
from plantview.history import Samples
from plantview.importing.export import aligned, csv_head, csv_rows, in_unit, unit_shown
from plantview.model.quality import Quality
from plantview.model.signal import Signal
from plantview.web.answers import Json, Problem
from plantview.web.asked import moment, system_of, whole
from plantview.web.frame_view import FrameView
from plantview.web.trends_grid import GAP, Columns, middles_s
from plantview.web.trends_past import Past, PastReader

POINTS_MAX: Final = 12
WIDTH_MAX: Final = 4_000
SPAN_MS: Final = 3_600_000
SPAN_MS_MAX: Final = 20 * 366 * 86_400_000
SAMPLES_SPAN_MS_MAX: Final = 86_400_000
FORMS: Final = ("json", "packed", "csv")


class HistoryAnswers:
    """Answers about the past."""

    def __init__(self, view: FrameView, past: PastReader) -> None:
        self._view, self._past = view, past

    async def answer(self, request: Request) -> Response:
        """Return the past of the points that are asked for."""
        signals = self._signals(request)
        form = request.query_params.get("form", "json")
        width = whole(request, "width", 0, 0, WIDTH_MAX)
        if form not in FORMS or (form == "packed" and not width):
            raise Problem(
                400, f"form '{form[:20]}' is not known", f"use one of {', '.join(FORMS)}; packed needs a width"
            )
        from_ms, to_ms = self._span(request, width)
        system = system_of(request)
        if not width:
            return await self._samples(signals, from_ms, to_ms, system, form)
        width = max(1, min(width, (to_ms - from_ms) // 1_000))
        found, past = await self._past.reduced(signals, from_ms, to_ms, width)
        if form == "packed":
            return Response(
                packed(signals, found, from_ms, to_ms, width, system),
                media_type="application/octet-stream",
                headers={"cache-control": "no-store", "x-live": "yes" if past.live else "no"},
            )
        if form == "csv":
            return self._csv(signals, _grid(signals, found, from_ms, to_ms, width), system)
        return Json(self._reduced(signals, found, past, from_ms, to_ms, width, system))

    def _signals(self, request: Request) -> list[Signal]:
        names = list(dict.fromkeys(request.query_params.getlist("point")))
        if not 1 <= len(names) <= POINTS_MAX:
            status = 404 if not names else 400
            raise Problem(status, f"{len(names)} points were asked for; 1 to {POINTS_MAX} can be", "give point=NAME")
        unknown = next((name for name in names if name not in self._view.signals), None)
        if unknown is not None:
            raise Problem(404, f"no point '{unknown[:100]}' in this plant", "/api/v1/points lists all")
        return [self._view.signals[name] for name in names]

    def _span(self, request: Request, width: int) -> tuple[int, int]:
        to_ms = moment(request, "to", self._view.now_ms())
        from_ms = moment(request, "from", to_ms - SPAN_MS)
        longest = SPAN_MS_MAX if width else SAMPLES_SPAN_MS_MAX
        if not 1_000 <= to_ms - from_ms <= longest:
            raise Problem(
                400,
                "'from' must lie a second before 'to' at least, and a day at most where every sample is given",
                "ask for another range, or give a width such as width=1000",
            )
        return from_ms, to_ms

    async def _samples(self, signals: Sequence[Signal], from_ms: int, to_ms: int, system: str, form: str) -> Response:
        found, past = await self._past.samples(signals, from_ms, to_ms)
        if not past.live and not any(len(each.at_ms) for each in found.values()):
            raise Problem(503, past.trouble[0], "wait until the link is up again; polling goes on without this page")
        if form == "csv":
            return self._csv(signals, aligned(signals, lambda name, _from, _to: found[name], from_ms, to_ms), system)
        series = [_sampled(signal, found[signal.name], system) for signal in signals]
        span = {"from_ms": from_ms, "to_ms": to_ms, "live": past.live, "trouble": past.trouble}
        return Json({**span, **series[0]} if len(series) == 1 else {**span, "series": series})

    def _reduced(
        self, signals: Sequence[Signal], found: Mapping[str, Columns], past: Past, from_ms: int, to_ms: int, width: int,
        system: str,
    ) -> dict[str, Any]:  # fmt: skip
        return {
            "from_ms": from_ms,
            "to_ms": to_ms,
            "width": width,
            "live": past.live,
            "trouble": past.trouble,
            "at_s": middles_s(from_ms, to_ms, width).tolist(),
            "series": [_columned(signal, found[signal.name], system) for signal in signals],
        }

    def _csv(self, signals: Sequence[Signal], laid: tuple[NDArray[np.int64], Sequence[Any]], system: str) -> Response:
        zone = self._view.plant.zone
        text = "\ufeff" + csv_head(signals, zone, system) + csv_rows(signals, laid[0], laid[1], zone, system)
        stamp = utc_text(int(laid[0][0]) if len(laid[0]) else self._view.now_ms())[:16].replace(":", "")
        name = f"{self._view.plant.id}-{stamp}Z.csv"
        return Response(
            text,
            media_type="text/csv; charset=utf-8",
            headers={"content-disposition": f'attachment; filename="{name}"'},
        )


def _sampled(signal: Signal, samples: Samples, system: str) -> dict[str, Any]:
    values = in_unit(samples.values, signal, system)
    return {
        "point": signal.name,
        "unit": unit_shown(signal, system)[0].label,
        "at_ms": samples.at_ms.tolist(),
        "values": [
            None if mark >= Quality.BAD or value != value else value  # noqa: PLR0124 - NaN
            for value, mark in zip(values.tolist(), samples.quality.tolist(), strict=True)
        ],
        "quality": samples.quality.tolist(),
        "reasons": list(samples.reasons),
    }


def _columned(signal: Signal, columns: Columns, system: str) -> dict[str, Any]:
    def numbers(values: NDArray[np.float64]) -> list[float | None]:
        return [None if value != value else value for value in in_unit(values, signal, system).tolist()]  # noqa: PLR0124

    return {
        "point": signal.name,
        "label": signal.label,
        "unit": unit_shown(signal, system)[0].label,
        "low": numbers(columns.low),
        "high": numbers(columns.high),
        "mean": numbers(columns.mid),
        "quality": [None if mark > GAP else min(mark, int(Quality.BAD)) for mark in columns.quality.tolist()],
    }


def _grid(
    signals: Sequence[Signal], found: Mapping[str, Columns], from_ms: int, to_ms: int, width: int
) -> tuple[NDArray[np.int64], list[tuple[NDArray[np.float64], NDArray[np.uint8]]]]:
    """Return the columns in which anything was read, as rows of an export."""
    seen = np.zeros(width, bool)
    for signal in signals:
        seen |= found[signal.name].quality < GAP
    at_ms = middles_s(from_ms, to_ms, width).astype(np.int64)[seen] * 1_000
    return at_ms, [(found[signal.name].mid[seen], found[signal.name].quality[seen]) for signal in signals]


def packed(
    signals: Sequence[Signal], found: Mapping[str, Columns], from_ms: int, to_ms: int, width: int, system: str
) -> bytes:
    """Return the columns as packed numbers; the module says how."""
    parts = [struct.pack("<II", width, len(signals)), middles_s(from_ms, to_ms, width).astype("<u4").tobytes()]
    for signal in signals:
        columns = found[signal.name]
        laid = [in_unit(values, signal, system) for values in (columns.low, columns.high, columns.mid)]
        known = laid[0][~np.isnan(laid[0])]
        # 32 bits hold a meter's ten digits only as a difference
        base = float(known.min()) if len(known) else 0.0
        parts.append(struct.pack("<d", base))
        parts.extend((values - base).astype("<f4").tobytes() for values in laid)
        parts.append(columns.quality.tobytes() + bytes(-width % 4))
    return b"".join(parts)
