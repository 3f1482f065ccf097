"""``/m``: the plant over a slow link on a small screen, written by the server.

``/m`` is the page, ``/m/now`` what changes in it as JSON (about a kilobyte compressed); the page asks every
five seconds, goes visibly stale when no answer comes, resumes alone and lists the alarms that came meanwhile.
"""

from __future__ import annotations

import asyncio
from html import escape
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response

from plantview.channel.client import ChannelClient
from plantview.clock import local_text
from plantview.model.plant import Plant
from plantview.web.answers import Json, Problem
from plantview.web.asked import whole
from plantview.web.field_asks import ask_field
from plantview.web.frame_view import FrameView
from plantview.web.headline import headlines
from plantview.web.plain.armed import armed
from plantview.web.plain.choice import Card, cards
from plantview.web.plain.spark import HEIGHT, WIDTH, spark
from plantview.web.plain.waters import waters_of
from plantview.web.plain.words import in_words, sign_of

HOUR_MS: Final = 3_600_000
MISSED_ROWS: Final = 50
PAGE: Final = """<!DOCTYPE html>
<html lang="en" data-units="{units}" data-theme="auto"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>{name}</title>
<link rel="icon" href="/assets/icon.svg"><link rel="stylesheet" href="/assets/tokens.css">
<link rel="stylesheet" href="/assets/plain_phone.css"><script src="/assets/plain_theme.js"></script></head>
<body><header><h1>{name}</h1>{simulated}<p id="age" role="status">{now}</p></header>
<main><section id="alarms" aria-label="Active alarms"></section><section id="missed" hidden aria-label="While you were away"></section>
<section id="heads" aria-label="Plant at a glance">{heads}</section>{cards}</main>
<footer><a href="/m?units={other}">show {other_word}</a> <a href="/">the drawing</a> <a href="/alarms">acknowledge</a> <a href="/help">help</a> <button type="button" id="theme">Auto</button> <span id="who"></span></footer>
<script src="/assets/plain_phone.js"></script><script src="/assets/session.js"></script></body></html>
"""
SIMULATED: Final = '<strong class="simulated">SIMULATED</strong>'
PRACTICE: Final = '<strong class="simulated">PRACTICE</strong>'
SYSTEMS: Final = {"si": "SI units", "ip": "inch-pound units"}


class PhonePage:
    """Writes the page and answers its questions."""

    def __init__(self, view: FrameView, client: ChannelClient) -> None:
        self._view, self._client = view, client
        self._waters = waters_of(view.plant)

    async def page(self, request: Request) -> Response:
        """Return the whole page with its numbers as they are now."""
        plant, system = self._view.plant, self._system(request)
        other = "ip" if system == "si" else "si"
        text = PAGE.format(
            name=escape(plant.name),
            units=system,
            simulated=(SIMULATED if plant.simulated else "")
            + (PRACTICE if plant.writes.practice else "")
            + armed(plant),
            now=escape(local_text(self._view.now_ms(), plant.zone)),
            heads="".join([await self._head(row, system) for row in headlines(plant, self._view.signals)]),
            cards="".join(self._card(card, system) for card in cards(plant, self._view.signals)),
            other=other,
            other_word=SYSTEMS[other],
        )
        return Response(text, media_type="text/html", headers={"cache-control": "no-store"})

    async def now(self, request: Request) -> Response:
        """Return link, values, conditions and alarms of the page; with ``since`` also what came after it."""
        system, view = self._system(request), self._view
        link = view.link()
        since = whole(request, "since", 0, 0, 2**53)
        body: dict[str, Any] = {
            "now_ms": view.now_ms(),
            "clock": local_text(view.now_ms(), view.plant.zone),
            "ok": link.ok,
            "since": local_text(link.since_ms, view.plant.zone),
            "values": {name: self._value(name, system) for name in sorted(_names(view.plant, self._view))},
            "states": {name: [row[1], row[2], row[3]] for name, row in view.conditions.items()} if link.ok else {},
            "alarms": [
                [
                    row["priority"],
                    row["equipment"],
                    row["text"],
                    local_text(row["since_ms"], view.plant.zone),
                    row["acked"],
                    row["id"],
                ]
                for row in view.alarms.get("active", [])
            ],
        }
        if since:
            body["missed"] = await self._missed(since)
        return Json(body)

    async def _missed(self, since_ms: int) -> list[list[str]]:
        rows = (await ask_field(self._client, "journal", {"limit": MISSED_ROWS}))["rows"]
        zone = self._view.plant.zone
        return [
            [local_text(row["at_ms"], zone), str(row["alarm"]), str(row["text"])]
            for row in rows
            if row["at_ms"] > since_ms and row["kind"] in {"ANN", "REALARM"}
        ]

    def _system(self, request: Request) -> str:
        system = request.query_params.get("units", self._view.plant.units)
        if system not in SYSTEMS:
            raise Problem(400, f"no unit system '{system[:20]}'", "use units=si or units=ip")
        return system

    def _value(self, name: str, system: str) -> list[str]:
        reading = self._view.reading(name)
        shown = in_words(self._view.signals[name], reading, system)
        flows = self._view.flows if self._view.link().ok else {}
        text, mark = self._waters.directed(name, shown, flows), shown.mark
        if mark not in {"stale", "bad"} and self._waters.stands(name, flows):
            return [f"{text} no flow", "standing"]
        sign = sign_of(mark, (self._view.now_ms() - reading.at_ms) / 1_000)
        return [text, mark, sign] if sign else [text, mark]

    async def _head(self, row: dict[str, Any], system: str) -> str:
        name = row["signal"]
        text, mark, *sign = self._value(name, system)
        companions = "".join(
            f"<small>{escape(one['label'])} {self._span(one['signal'], system)}</small>" for one in row["companions"]
        )
        note = f"<small>{escape(row['note'])}</small>" if row["note"] else ""
        return (
            f'<div class="head"><h2>{escape(row["label"])}</h2><b class="{mark}" data-v="{escape(name)}"{_signed(sign)}>{escape(text)}</b>'
            f"{await self._line(name)}{companions}{note}</div>"
        )

    async def _line(self, name: str) -> str:
        to_ms = self._view.now_ms()
        body = {"point": name, "from_ms": to_ms - HOUR_MS, "to_ms": to_ms}
        try:
            got = await ask_field(self._client, "range", body)
        except Problem:
            return ""
        path = await asyncio.to_thread(spark, got["at_ms"], got["values"], to_ms - HOUR_MS, to_ms)
        label = "last hour" if path else "no history yet"
        return f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}"><path d="{path}"/></svg>'

    def _span(self, name: str, system: str) -> str:
        text, mark, *sign = self._value(name, system)
        return f'<span class="{mark}" data-v="{escape(name)}"{_signed(sign)}>{escape(text)}</span>'

    def _card(self, card: Card, system: str) -> str:
        lines = "".join(f"<dt>{escape(label)}</dt><dd>{self._span(name, system)}</dd>" for label, name in card.lines)
        state = f'<span class="state" data-s="{escape(card.id)}"></span>' if card.machine else ""
        return f'<section class="card"><h2>{escape(card.title)} {state}</h2><dl>{lines}</dl></section>'


def _signed(sign: list[str]) -> str:
    return f' data-sign="{escape(sign[0])}"' if sign else ""


def _names(plant: Plant, view: FrameView) -> set[str]:
    names = {name for card in cards(plant, view.signals) for _, name in card.lines}
    for row in headlines(plant, view.signals):
        names |= {row["signal"], *(one["signal"] for one in row["companions"])}
    return names
