"""The pages without Dash: what they print, what they never print, and how heavy they are."""

from __future__ import annotations

import gzip
import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, cast

import httpx
import pytest

from plantview.channel.client import ChannelClient
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.model.operation import Operation
from plantview.model.services import WORDS
from plantview.web.app import build_application
from plantview.web.frame_view import BAD_AFTER_REAL_S, LINK_DEADLINE_REAL_S, FrameView
from plantview.web.hosts import allowed_hosts
from plantview.web.live import Live
from plantview.web.plain.help_legend import MARKS, STATES
from plantview.web.plain.help_words import PAGE_WORDS
from plantview.web.plain.spark import COLUMNS, HEIGHT, WIDTH, spark
from plantview.web.plain.wall import SCRIPTS, STYLES
from plantview.web.routes import HELP, PAGES
from plantview.web.schematic.signs import SIGNS
from tests.unit.fake_field import START_MS, FakeField

PLANT = load_plant(bundled("plants") / "larkfield")
HOME = "http://127.0.0.1:8050"
POINT = "CH-1.chws_temp"


class Asked:
    """Stands for the channel: answers from a field process made of numbers."""

    def __init__(self, field: FakeField) -> None:
        self._field = field

    async def ask(self, what: str, body: dict[str, Any], _within_s: float = 5.0) -> dict[str, Any]:
        return await (self._field._range(body) if what == "range" else self._field._journal(body))


class Site:
    """One web process in this process."""

    def __init__(self, folder: Path) -> None:
        self.clock = ManualClock(START_MS)
        self.field = FakeField(PLANT, folder / "s.sock")
        self.view = FrameView(PLANT, self.clock)
        client = cast("ChannelClient", Asked(self.field))
        application = build_application(
            self.view, Live(self.view, self.clock), client, allowed_hosts("127.0.0.1", 8050)
        )
        self.http = httpx.AsyncClient(transport=httpx.ASGITransport(application.guarded), base_url=HOME)
        self.view.take("hello", self.field.hello())
        self.beat()

    def beat(self) -> None:
        self.view.take("frame", self.field.frame(full=True))


@pytest.fixture
async def site(tmp_path: Path) -> AsyncIterator[Site]:
    made = Site(tmp_path)
    yield made
    await made.http.aclose()


async def test_the_phone_page_prints_numbers_states_and_the_last_hour(site: Site) -> None:
    text = (await site.http.get("/m")).text
    shown = re.search(rf'data-v="{re.escape(POINT)}">([^<]+)<', text)
    assert shown is not None
    assert re.fullmatch(r"\d+\.\d °F", shown.group(1))
    assert "chilled water supply (CHWS)" in text
    assert "condenser water return (CWR)" in text
    assert text.count('<path d="M') >= 4
    assert "SIMULATED" in text


async def test_the_phone_page_says_the_same_in_si(site: Site) -> None:
    ip, si = [(await site.http.get(f"/m/now?units={system}")).json()["values"][POINT][0] for system in ("ip", "si")]
    fahrenheit, celsius = float(ip.split()[0]), float(si.split()[0])
    assert celsius == pytest.approx((fahrenheit - 32) / 1.8, abs=0.1)


@pytest.mark.parametrize(
    ("silent_s", "mark"), [(0.0, "good"), (LINK_DEADLINE_REAL_S + 1, "stale"), (BAD_AFTER_REAL_S + 1, "bad")]
)
async def test_numbers_of_a_silent_field_are_marked_and_then_taken_away(site: Site, silent_s: float, mark: str) -> None:
    await site.clock.advance(silent_s)
    told = (await site.http.get("/m/now")).json()
    assert told["ok"] is (mark == "good")
    assert told["values"][POINT][1] == mark
    assert (told["values"][POINT][0] == "?") is (mark == "bad")
    assert bool(told["states"]) is (mark == "good")


async def test_alarms_that_came_meanwhile_are_listed(site: Site) -> None:
    row = {"kind": "ANN", "alarm": "CH-1.FAULT", "text": "Fault reported by the panel", "at_ms": START_MS + 5_000}
    site.field.journal = [row, {**row, "kind": "ACK"}, {**row, "at_ms": START_MS - 1}]
    missed = (await site.http.get(f"/m/now?since={START_MS}")).json()["missed"]
    assert [line[1:] for line in missed] == [["CH-1.FAULT", "Fault reported by the panel"]]
    assert "missed" not in (await site.http.get("/m/now")).json()


@pytest.mark.parametrize("path", ["/m?units=metric", "/m/now?since=soon", "/wall?distance=0", "/wall?day=25"])
async def test_a_question_that_makes_no_sense_is_answered_with_a_remedy(site: Site, path: str) -> None:
    answer = await site.http.get(path)
    assert answer.status_code == 400
    assert answer.headers["content-type"] == "application/problem+json"


async def test_plant_names_are_text_and_never_markup(tmp_path: Path) -> None:
    from dataclasses import replace

    site = Site(tmp_path)
    site.view.plant = replace(PLANT, name='<script>alert("x")</script>')
    for path in ("/m", "/wall"):
        assert "<script>alert" not in (await site.http.get(path)).text
    await site.http.aclose()


async def compressed(site: Site, *paths: str) -> int:
    """Return the bytes that travel for some paths."""
    bodies = [await site.http.get(path) for path in paths]
    assert all(body.status_code == 200 for body in bodies), paths
    return sum(len(gzip.compress(body.content)) for body in bodies)


async def test_the_pages_are_light(site: Site) -> None:
    """First load of /wall at most 150 kB and of /m at most 60 kB compressed; no chart library on either."""
    wall = await compressed(site, "/wall", "/schematic.svg", *(f"/assets/{name}" for name in (*SCRIPTS, *STYLES)))
    phone = await compressed(site, "/m", "/assets/tokens.css", "/assets/plain_phone.css", "/assets/plain_phone.js")
    each = await compressed(site, "/m/now")
    assert wall <= 150_000
    assert phone <= 60_000
    assert each / 5 <= 2_000, "bytes a second at one question in five seconds"
    for path in ("/wall", "/m"):
        assert not re.search("plotly|uplot", (await site.http.get(path)).text, re.IGNORECASE)


async def test_scripts_of_the_plain_pages_are_not_loaded_on_the_others(site: Site) -> None:
    assert "plain_" not in (await site.http.get("/")).text


def test_a_spark_line_is_within_its_box_and_leaves_gaps() -> None:
    at_ms = list(range(0, 60_000, 100))
    values: list[float | None] = [float(at) for at in at_ms]
    values[200:300] = [None] * 100
    path = spark(at_ms, values, 0, 60_000)
    assert path.count("M") == 2
    points = [tuple(map(float, pair.split())) for pair in re.split("[ML]", path) if pair]
    assert len(points) == COLUMNS - 10
    assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in points)
    assert points[0][1] > points[-1][1], "a rising value rises"


@pytest.mark.parametrize("values", [[], [None, None, None], [float("nan")] * 3])
def test_nothing_is_drawn_where_nothing_is_known(values: list[float | None]) -> None:
    assert spark(list(range(len(values))), values, 0, 10) == ""


async def test_the_help_says_what_every_page_is_for_and_leads_there(site: Site) -> None:
    text = (await site.http.get(HELP)).text
    assert set(PAGE_WORDS) == {*PAGES, "/wall", "/m"}
    needing_more = {path for path in PAGE_WORDS if path.endswith(("/loop", "/machine", "/record"))}
    for path in set(PAGE_WORDS) - needing_more:
        assert f'<a href="{path}">' in text, path
        assert f'id="page{path.replace("/", "-")}"' in text, path


async def test_the_help_explains_every_state_every_mark_and_the_four_pipes(site: Site) -> None:
    text = (await site.http.get(HELP)).text
    explained = {word for row in STATES for word in row[1].split(", ")}
    assert {str(state).replace("-", " ").upper() for state in Operation} == explained
    assert [name for name, _ in MARKS] == list(SIGNS)
    for letters in ("CHWS", "CHWR", "CWS", "CWR"):
        assert f"<b>{letters}</b>, {WORDS[letters].removesuffix(f' ({letters})')}: " in text
    for caution in ("Lock and tag at the disconnect", "manual, local codes and licensed practice"):
        assert caution in text


async def test_every_page_and_the_phone_lead_to_the_help(site: Site) -> None:
    assert f'href="{HELP}"' in (await site.http.get("/m")).text
    assert '"id":"help"' in (await site.http.get("/_dash-layout")).text
