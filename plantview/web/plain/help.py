"""``/help``: how to read and use every page, in trade words. Written by the server, without scripts of its own but two switches."""

from __future__ import annotations

from html import escape
from typing import Final

from starlette.requests import Request
from starlette.responses import Response

from plantview.web.frame_view import FrameView
from plantview.web.plain.help_legend import legend
from plantview.web.plain.help_words import CAUTIONS, FIRST_STEPS, KEYS, NUMBERS, PAGE_WORDS
from plantview.web.routes import PAGES, PHONE, WALL

STYLES: Final = ("tokens.css", "schematic.css", "plain_help.css")
PAGE: Final = """<!DOCTYPE html>
<html lang="en" data-theme="auto"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>Help: {name}</title>
<link rel="icon" href="/assets/icon.svg">{styles}<script src="/assets/plain_theme.js"></script></head>
<body><a class="skip" href="#help">Skip to the page</a>
<header><p class="plant"><a href="/">{name}</a></p>{simulated}<nav aria-label="To the plant"><a href="/">the drawing</a> <a href="{phone}">on a phone</a></nav>
<button type="button" id="theme">Auto</button></header>
<main id="help" tabindex="-1"><h1>Help</h1>
<nav class="contents" aria-label="On this page"><ul>{contents}</ul></nav>
{sections}</main>
<script src="/assets/plain_help.js"></script></body></html>
"""
SECTIONS: Final = {
    "cautions": "Before anything else",
    "steps": "First steps",
    "marks": "How to read the drawing and the numbers",
    "numbers": "Words and numbers",
    "pages": "What is on each page",
    "keys": "Keys",
}
"""Part of the page, as in its address -> heading."""


class HelpPage:
    """Writes the page."""

    def __init__(self, view: FrameView) -> None:
        self._view = view
        parts = {
            "cautions": _cautions(),
            "steps": _steps(),
            "marks": legend(),
            "numbers": _numbers(),
            "pages": _pages(),
            "keys": _keys(),
        }
        self._sections = "".join(
            f'<section id="{part}" aria-labelledby="of-{part}"><h2 id="of-{part}">{heading}</h2>{parts[part]}</section>'
            for part, heading in SECTIONS.items()
        )

    async def answer(self, _request: Request) -> Response:
        """Return the page."""
        plant = self._view.plant
        text = PAGE.format(
            name=escape(plant.name),
            simulated='<strong class="simulated">SIMULATED</strong>' if plant.simulated else "",
            phone=PHONE,
            styles="".join(f'<link rel="stylesheet" href="/assets/{name}">' for name in STYLES),
            contents="".join(f'<li><a href="#{part}">{heading}</a></li>' for part, heading in SECTIONS.items()),
            sections=self._sections,
        )
        return Response(text, media_type="text/html", headers={"cache-control": "no-store"})


def _cautions() -> str:
    return f"<ul class='cautions'>{''.join(f'<li>{words}</li>' for words in CAUTIONS)}</ul>"


def _steps() -> str:
    return "".join(
        f"<h3>{occasion}</h3><ol>{''.join(f'<li>{escape(step)}</li>' for step in steps)}</ol>"
        for occasion, steps in FIRST_STEPS
    )


def _numbers() -> str:
    return f"<dl>{''.join(f'<dt>{escape(word)}</dt><dd>{escape(meaning)}</dd>' for word, meaning in NUMBERS)}</dl>"


def _pages() -> str:
    """Return every page that can be opened; those that need to know of which machine or alarm are named without a link."""
    names = {**PAGES, WALL: "Wall", PHONE: "Phone"}
    rows = []
    for path, words in PAGE_WORDS.items():
        name = names[path] if path.endswith(("/loop", "/machine", "/record")) else f'<a href="{path}">{names[path]}</a>'
        rows.append(f'<dt id="page{path.replace("/", "-")}">{name}</dt><dd>{escape(words)}</dd>')
    return f"<dl>{''.join(rows)}</dl>"


def _keys() -> str:
    lists = "".join(
        f"<h3>{where}</h3><dl class='keys'>{''.join(f'<dt><kbd>{key}</kbd></dt><dd>{words}</dd>' for key, words in keys)}</dl>"
        for where, keys in KEYS
    )
    switch = (
        "<p>The key M works on every page, wherever the focus is. Those who dictate, or whose hands meet keys by chance, switch it off here,"
        " for this browser.</p><p><button type='button' id='single-keys' aria-pressed='true'>Key M puts a mark</button></p>"
    )
    return lists + switch
