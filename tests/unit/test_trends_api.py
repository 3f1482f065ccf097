"""``/api/v1/history`` over ASGI: a ring behind a real channel, a store on disk, and where the two meet."""

from __future__ import annotations

import asyncio
import csv
import io
import struct
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from plantview.channel.client import LOST, ChannelClient
from plantview.clock import ManualClock
from plantview.web.app import build_application
from plantview.web.frame_view import FrameView
from plantview.web.hosts import allowed_hosts
from plantview.web.live import Live
from plantview.web.routes import LIBRARY
from tests.browser.trend_site import (
    DAY_MS,
    EFFICIENCY,
    GAP_MS,
    HOUR_MS,
    PLANT,
    RETURN,
    SPIKE_C,
    SPIKE_MS,
    STALE_MS,
    STATUS,
    SUPPLY,
    fill,
)  # fmt: skip
from tests.unit.fake_field import START_MS, FakeField

HOME = "http://127.0.0.1:8050"
GAP, NOTHING = 4, 5


class Site:
    def __init__(self, http: httpx.AsyncClient, field: FakeField, heard: asyncio.Queue[str]) -> None:
        self.http, self.field, self._heard = http, field, heard

    async def history(self, *points: str, **more: Any) -> httpx.Response:
        names = {name.rstrip("_"): value for name, value in more.items()}
        return await self.http.get("/api/v1/history", params={"point": list(points), **names})

    async def hears(self, kind: str) -> None:
        while await self._heard.get() != kind:
            pass


@pytest.fixture
async def site(tmp_path: Path) -> AsyncIterator[Site]:
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    field = FakeField(PLANT, folder / "s.sock")
    fill(field, tmp_path / "data")
    await field.channel.start()
    field.greet()
    clock, heard = ManualClock(), asyncio.Queue[str]()
    view = FrameView(PLANT, clock)
    live = Live(view, clock)

    def take(kind: str, body: dict[str, Any]) -> None:
        view.take(kind, body)
        heard.put_nowait(kind)

    client = ChannelClient(field.channel.path, take)
    hosts = allowed_hosts("127.0.0.1", 8050)
    application = build_application(view, live, client, hosts, tmp_path / "data")
    running = asyncio.create_task(client.run())
    async with httpx.AsyncClient(transport=httpx.ASGITransport(application.guarded), base_url=HOME) as http:
        made = Site(http, field, heard)
        await made.hears("health")
        yield made
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    await field.channel.stop()


async def test_the_last_hour_and_the_days_before_are_one_past(site: Site) -> None:
    read = (await site.history(SUPPLY, from_=START_MS - 8 * HOUR_MS, to=START_MS, width=480, units="si")).json()
    [series] = read["series"]
    assert read["live"] is True
    assert read["trouble"] == []
    assert len(series["mean"]) == len(read["at_s"]) == 480
    minute = [START_MS - 8 * HOUR_MS + n * 60_000 for n in range(480)]
    for at, low, quality in zip(minute, series["low"], series["quality"], strict=True):
        inside = GAP_MS[0] <= at < GAP_MS[1]
        assert (low is None) == inside or at >= START_MS - HOUR_MS - 60_000, at
        if STALE_MS[0] < at < STALE_MS[1] - 60_000:
            assert quality == 2
    assert series["mean"][-1] is not None


async def test_a_single_spike_in_nine_days_is_not_averaged_away(site: Site) -> None:
    read = (await site.history(SUPPLY, from_=START_MS - 9 * DAY_MS, to=START_MS, width=300, units="si")).json()
    [series] = read["series"]
    highest = max(range(300), key=lambda place: series["high"][place] or 0)
    assert series["high"][highest] == pytest.approx(SPIKE_C, abs=0.02)
    assert abs(read["at_s"][highest] * 1_000 - SPIKE_MS) < 9 * DAY_MS / 300


@pytest.mark.parametrize("width", [200, 288, 290, 311, 577])
async def test_columns_about_as_wide_as_a_summary_are_filled_and_only_gaps_are_empty(site: Site, width: int) -> None:
    """A row of the summaries that is wider than a column left every second one empty."""
    begin = START_MS - 2 * DAY_MS
    read = (await site.history(SUPPLY, from_=begin, to=begin + DAY_MS, width=width, units="si")).json()
    [series] = read["series"]
    empty = [at for at, mean in zip(read["at_s"], series["mean"], strict=True) if mean is None]
    column_ms = DAY_MS / width
    assert [at for at in empty if not GAP_MS[0] - column_ms < at * 1_000 < GAP_MS[1] + column_ms] == []


async def test_packed_numbers_say_the_same_as_json(site: Site) -> None:
    span = {"from_": START_MS - 2 * DAY_MS, "to": START_MS, "width": 333, "units": "ip"}
    told = (await site.history(SUPPLY, STATUS, RETURN, **span)).json()
    raw = (await site.history(SUPPLY, STATUS, RETURN, **span, form="packed")).content
    n, k = struct.unpack_from("<II", raw)
    assert (n, k) == (333, 3)
    assert np.frombuffer(raw, "<u4", n, 8).tolist() == told["at_s"]
    place = 8 + 4 * n
    for series in told["series"]:
        (base,) = struct.unpack_from("<d", raw, place)
        low, high, mid = (np.frombuffer(raw, "<f4", n, place + 8 + 4 * n * part) for part in range(3))
        quality = np.frombuffer(raw, "u1", n, place + 8 + 12 * n)
        for packed, plain in ((low, series["low"]), (high, series["high"]), (mid, series["mean"])):
            expected = [np.nan if value is None else value for value in plain]
            assert (base + packed.astype(float)).tolist() == pytest.approx(expected, abs=1e-4, nan_ok=True)
        assert [None if mark == NOTHING else min(mark, 3) for mark in quality.tolist()] == series["quality"]
        place += 8 + 13 * n + (-n % 4)
    assert place == len(raw)


async def test_csv_holds_both_clocks_units_in_the_heading_and_a_quality_per_value(site: Site) -> None:
    answer = await site.history(
        SUPPLY, STATUS, from_=START_MS - 8 * HOUR_MS, to=START_MS, width=48, units="ip", form="csv"
    )
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert "attachment" in answer.headers["content-disposition"]
    rows = list(csv.reader(io.StringIO(answer.text.removeprefix("\ufeff"))))
    assert rows[0] == [
        "utc",
        "local (America/Chicago)",
        f"{SUPPLY} [°F]",
        f"{SUPPLY} quality",
        STATUS,
        f"{STATUS} quality",
    ]
    assert rows[1][0].endswith("Z")
    assert {row[3] for row in rows[1:]} <= {"GOOD", "STALE", "BAD", "BAD IN PART", ""}
    assert {row[4] for row in rows[1:]} <= {"RUN", "OFF", ""}
    assert 40.0 < float(rows[1][2]) < 60.0


async def test_every_sample_of_several_points_comes_without_a_width(site: Site) -> None:
    read = (await site.history(SUPPLY, EFFICIENCY, from_=START_MS - 8 * HOUR_MS, to=START_MS - 7 * HOUR_MS)).json()
    assert [series["point"] for series in read["series"]] == [SUPPLY, EFFICIENCY]
    assert [len(series["at_ms"]) for series in read["series"]] == [60, 60]


async def test_without_the_field_process_the_archive_still_answers_and_says_so(site: Site) -> None:
    await site.field.channel.stop()
    await site.hears(LOST)
    read = (await site.history(SUPPLY, from_=START_MS - 3 * HOUR_MS, to=START_MS, width=100)).json()
    assert read["live"] is False
    assert read["trouble"]
    assert sum(value is not None for value in read["series"][0]["mean"]) > 50
    packed = await site.history(SUPPLY, from_=START_MS - 3 * HOUR_MS, to=START_MS, width=100, form="packed")
    assert packed.headers["x-live"] == "no"


@pytest.mark.parametrize(
    ("more", "status"),
    [
        ({"width": 5_000}, 400),
        ({"form": "xml"}, 400),
        ({"form": "packed"}, 400),
        ({"from_": START_MS - 3 * DAY_MS, "to": START_MS}, 400),
        ({"from_": START_MS, "to": START_MS - 1, "width": 10}, 400),
        ({"from_": 0, "to": START_MS, "width": 10}, 400),
    ],
)
async def test_a_question_without_bounds_is_refused(site: Site, more: dict[str, Any], status: int) -> None:
    answer = await site.history(SUPPLY, **more)
    assert answer.status_code == status
    assert answer.json()["remedy"]


async def test_more_points_than_a_picture_holds_are_refused(site: Site) -> None:
    names = list(site.field.signals)[:13]
    answer = await site.history(*names, width=100)
    assert answer.status_code == 400
    assert "1 to 12" in answer.json()["detail"]


async def test_the_drawing_library_may_be_kept_for_a_year(site: Site) -> None:
    for path in LIBRARY:
        answer = await site.http.get(path)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
        assert len(answer.content) > 1_000
