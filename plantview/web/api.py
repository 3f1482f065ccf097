"""The API under ``/api/v1``: read-only, but for the acknowledgement of an alarm.

Every answer is JSON and says whether it is live; what cannot be known is null with a quality and a reason.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from plantview.channel.client import ChannelClient
from plantview.clock import utc_text
from plantview.model.reading import Reading
from plantview.model.signal import Signal
from plantview.units import Unit, shown
from plantview.web.acting import acting, whoever
from plantview.web.answers import Json, Problem
from plantview.web.asked import json_object, system_of, whole, words
from plantview.web.field_asks import ask_field
from plantview.web.frame_view import FrameView
from plantview.web.routes import ACKNOWLEDGE, ALIVE, API
from plantview.web.startup_marks import with_markers
from plantview.web.trends_answers import HistoryAnswers
from plantview.web.trends_past import PastReader

JOURNAL_ROWS_MAX: Final = 500
COMMENT_MAX: Final = 500


class Api:
    """Answers from the view, or by asking the field process."""

    def __init__(self, view: FrameView, client: ChannelClient, data: Path | None = None) -> None:
        self._view, self._client = view, client
        self._history = HistoryAnswers(view, PastReader(view, client, data))

    def router(self) -> APIRouter:
        """Return the routes."""
        router = APIRouter()
        for name in ("plant", "points", "values", "alarms", "health", "history"):
            router.add_api_route(f"{API}/{name}", getattr(self, name), methods=["GET"])
        router.add_api_route(ACKNOWLEDGE, self.acknowledge, methods=["POST"])
        router.add_api_route(ALIVE, self.alive, methods=["GET"])
        return router

    async def alive(self) -> Response:
        """Say that the web process runs; ``/api/v1/health`` tells about the plant."""
        return Json({"status": "ok"})

    async def plant(self) -> Response:
        """Describe the plant, its equipment and devices, and the link to the field process."""
        view, plant = self._view, self._view.plant
        return Json(
            {
                "id": plant.id,
                "name": plant.name,
                "zone": plant.zone,
                "altitude_m": plant.altitude_m,
                "units": plant.units,
                "simulated": plant.simulated,
                "speed": view.speed,
                "now": utc_text(view.now_ms()),
                "version": view.hello.get("version"),
                "link": self._link(),
                "points": len(plant.points),
                "equipment": [
                    {
                        "id": item.id,
                        "kind": item.kind,
                        "label": item.label,
                        "part_of": item.part_of,
                        "building": item.building,
                    }
                    for item in plant.equipment.values()
                ],
                "devices": [
                    {
                        "id": item.id,
                        "protocol": item.protocol,
                        "address": item.address,
                        "unit": item.unit,
                        "label": item.label,
                    }
                    for item in plant.devices.values()
                ],
            }
        )

    async def points(self) -> Response:
        """List every signal: what it is, where it comes from."""
        return Json([_point(signal) for signal in self._view.signals.values()])

    async def values(self, request: Request) -> Response:
        """List every signal's present value; ``?units=reported|si|ip``, ``?point=NAME`` for one."""
        system = system_of(request)
        wanted = request.query_params.get("point")
        names = list(self._view.signals) if wanted is None else [self._signal(wanted).name]
        return Json([self._value(self._view.signals[name], system) for name in names])

    async def alarms(self, request: Request) -> Response:
        """Return the alarms; ``?journal=N`` adds the last N rows of the journal."""
        rows = whole(request, "journal", 0, 0, JOURNAL_ROWS_MAX)
        body = {"link": self._link(), **self._view.alarms}
        if rows:
            body["journal"] = await with_markers(self._client, (await self._ask("journal", {"limit": rows}))["rows"])
        return Json(body)

    async def health(self) -> Response:
        """Say how the field process and its devices do; 503 when values are not live."""
        link, health = self._link(), self._view.health
        status = "down" if not link["ok"] else "degraded" if health.get("silent") else "ok"
        return Json(
            {"status": status, "now": utc_text(self._view.now_ms()), "link": link, "field": health},
            503 if status == "down" else 200,
        )

    async def history(self, request: Request) -> Response:
        """Return the past of some points; ``trends_answers`` says what may be asked."""
        return await self._history.answer(request)

    async def acknowledge(self, request: Request) -> Response:
        """Pass on who has seen an alarm: ``{"id", "person", "comment"}``; whoever signed in is that person."""
        body = json_object(await request.body())
        alarm, comment = (words(body, *field) for field in (("id", 200, True), ("comment", COMMENT_MAX, False)))
        person = acting(request, body)
        asked = {"alarm": alarm, "person": person, "who": whoever(request, person), "comment": comment}
        return Json(await self._ask("acknowledge", asked))

    def _link(self) -> dict[str, Any]:
        link = self._view.link()
        return {"ok": link.ok, "since": utc_text(link.since_ms)}

    def _signal(self, name: str) -> Signal:
        signal = self._view.signals.get(name)
        if signal is None:
            raise Problem(404, f"no point '{name[:100]}' in this plant", f"{API}/points lists all")
        return signal

    def _value(self, signal: Signal, system: str) -> dict[str, Any]:
        reading = self._view.reading(signal.name)
        row = {**self._shown(signal, reading, system), "reason": reading.reason, "derived": signal.derived}
        row["age_s"] = round(max(0, self._view.now_ms() - reading.at_ms) / 1_000, 1)
        if signal.derived:
            inputs = (
                (self._view.signals[name], self._view.reading(name))
                for name in signal.inputs
                if name in self._view.signals
            )
            row["inputs"] = [self._shown(source, read, system) for source, read in inputs]
        return row

    def _shown(self, signal: Signal, reading: Reading, system: str) -> dict[str, Any]:
        unit, digits = _unit(signal, system)
        row: dict[str, Any] = {
            "point": signal.name,
            "value": _convert(signal, unit, digits, reading.value),
            "unit": unit.label,
            "quality": reading.quality.name,
            "at": utc_text(reading.at_ms),
        }
        if reading.u95 is not None:
            row["u95"] = float(f"{reading.u95 * signal.unit.factor / unit.factor:.3g}")
        if signal.states and reading.value is not None:
            row["state"] = signal.states.get(int(reading.value), "")
        return row

    async def _ask(self, what: str, body: dict[str, Any]) -> dict[str, Any]:
        return await ask_field(self._client, what, body)


def _point(signal: Signal) -> dict[str, Any]:
    return {
        "point": signal.name,
        "label": signal.label,
        "equipment": signal.equipment,
        "measurement": signal.measurement,
        "quantity": signal.quantity,
        "unit": signal.unit.label,
        "derived": signal.derived,
        "device": signal.device,
        "address": signal.address,
        "period_s": signal.period_s,
        "states": {str(number): word for number, word in signal.states.items()},
        "inputs": list(signal.inputs),
        "note": signal.note,
    }


def _unit(signal: Signal, system: str) -> tuple[Unit, int | None]:
    return (signal.unit, None) if system == "reported" else shown(signal.quantity, system)


def _convert(signal: Signal, unit: Unit, digits: int | None, value: float | None) -> float | None:
    """Return a reported value in another unit, with two digits more than a page shows."""
    if value is None or digits is None:
        return value
    return round(unit.from_canonical(signal.unit.to_canonical(value)), digits + 2)
