"""What the first page asks for: no library that nobody uses, and no more bytes than a slow link takes in a moment."""

from __future__ import annotations

import gzip
import html
import re
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from dash.development.base_component import Component

from plantview.channel.client import ChannelClient
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.web.app import LAYOUTS, build_application
from plantview.web.frame_view import FrameView
from plantview.web.hosts import allowed_hosts
from plantview.web.lean import NOT_NEEDED, without
from plantview.web.live import Live
from plantview.web.routes import PAGES
from plantview.web.shell import shell
from tests.unit.fake_field import START_MS, FakeField

PLANT = load_plant(bundled("plants") / "larkfield")
FIRST_LOAD_BYTES_MAX = 350_000
HEADERS_BYTES = 1_200
"""Of one answer, its policy included; generous."""


@pytest.fixture
def view(tmp_path: Path) -> FrameView:
    """Return the web process's copy of a plant that is live."""
    field = FakeField(PLANT, tmp_path / "s.sock")
    made = FrameView(PLANT, ManualClock(START_MS))
    made.take("hello", field.hello())
    made.take("frame", field.frame(full=True))
    made.take("health", field.health())
    return made


@pytest.fixture
async def http(view: FrameView, tmp_path: Path) -> AsyncIterator[httpx.AsyncClient]:
    """Return a browser without a screen."""
    live = Live(view, ManualClock(START_MS))
    client = ChannelClient(tmp_path / "s.sock", lambda _kind, _body: None)
    application = build_application(view, live, client, allowed_hosts("127.0.0.1", 8050))
    transport = httpx.ASGITransport(application.guarded)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8050") as made:
        yield made


def components(inside: Any) -> Iterator[Component]:
    """Yield a component and all below it."""
    for each in inside if isinstance(inside, list | tuple) else [inside]:
        if isinstance(each, Component):
            yield each
            yield from components(getattr(each, "children", None))


def test_no_page_uses_a_component_whose_library_is_not_sent(view: FrameView) -> None:
    layouts = [shell(PLANT), *(layout(view) for layout in LAYOUTS.values())]
    used = {each._namespace for each in components(layouts)}
    assert used == {"dash_html_components", "plantview_lean"}


def test_leaving_out_files_leaves_every_other_script_in_its_order() -> None:
    named = [
        "deps/react@18.js",
        "dash/dcc/async.js",
        "deps/polyfill@7.js",
        "dash/dash_table/bundle.js",
        "assets/live.js",
    ]
    lines = [f'<script src="/_dash/{"dash/" if "deps" in name else ""}{name}"></script>' for name in named]
    kept = re.findall(r'src="/_dash/(?:dash/)?([^"]*)"', without("\n".join([*lines, "<script>inline()</script>"])))
    assert kept == ["deps/react@18.js", "assets/live.js"]
    assert "inline()" in without("<script>inline()</script>")


async def test_the_first_page_is_light_and_holds_no_chart_library(http: httpx.AsyncClient) -> None:
    """Everything that `/` asks for until it is live, packed as it travels: at most 350 kB."""
    index = (await http.get("/")).text
    linked = [html.unescape(path) for path in re.findall(r'(?:src|href)="(/[^"]+\.(?:js|css|svg)[^"]*)"', index)]
    assert any("dash_renderer" in path for path in linked)
    assert not [path for path in linked for part in NOT_NEEDED if part in path]
    assert not [path for path in linked if re.search("plotly|uplot", path, re.IGNORECASE)]
    total = 0
    for path in ["/", "/schematic.svg", "/_dash-layout", "/_dash-dependencies", *linked]:
        answer = await http.get(path)
        assert answer.status_code == 200, path
        total += len(gzip.compress(answer.content)) + HEADERS_BYTES
    assert 150_000 < total <= FIRST_LOAD_BYTES_MAX


async def test_every_page_is_the_same_index_so_that_one_load_serves_them_all(http: httpx.AsyncClient) -> None:
    first = re.findall(r'src="([^"]+)"', (await http.get("/")).text)
    for path in PAGES:
        assert re.findall(r'src="([^"]+)"', (await http.get(path)).text) == first
