"""How sure a value is, on its way from the field process to API and live socket, and while the field is silent."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import orjson
import pytest
from starlette.requests import Request

from plantview.channel.client import ChannelClient
from plantview.model.quality import Quality
from plantview.web.api import Api
from plantview.web.frame_view import BAD_AFTER_REAL_S, LINK_DEADLINE_REAL_S
from tests.unit.test_web_live import Scene

NAME, DIFFERENCE = "PLANT.kw_per_ton", "PLANT.tower_approach"


@pytest.fixture
def scene() -> Scene:
    """Return a view that has heard one frame in which two values say how sure they are."""
    made = Scene()
    made.connect()
    frame = made.field.frame(full=True)
    readings = dict(frame["readings"])
    readings[NAME] = [*readings[NAME][:4], 0.0216]
    readings[DIFFERENCE] = [*readings[DIFFERENCE][:4], 0.5]
    made.hear("frame", {**frame, "readings": readings})
    return made


async def told(scene: Scene, name: str, units: str) -> dict[str, Any]:
    api = Api(scene.view, ChannelClient(Path("/nowhere/s.sock"), lambda _kind, _body: None))
    query = f"units={units}&point={name}".encode()
    answer = await api.values(
        Request({"type": "http", "method": "GET", "path": "/", "query_string": query, "headers": []})
    )
    row: dict[str, Any] = orjson.loads(answer.body)[0]
    return row


async def test_the_api_tells_it_in_the_unit_of_the_value(scene: Scene) -> None:
    assert (await told(scene, NAME, "ip"))["u95"] == 0.0216
    assert (await told(scene, DIFFERENCE, "si"))["u95"] == 0.5
    assert (await told(scene, DIFFERENCE, "ip"))["u95"] == 0.9


async def test_a_value_that_does_not_say_how_sure_it_is_has_no_such_field(scene: Scene) -> None:
    assert "u95" not in await told(scene, "PLANT.power_input", "ip")
    assert "u95" not in await told(scene, "CH-1.chws_temp", "ip")


def test_a_page_gets_it_as_a_fifth_part_of_the_reading(scene: Scene) -> None:
    readings = scene.next_for(-1)[1]["readings"]
    assert readings[NAME][4] == 0.0216
    assert len(readings["CH-1.chws_temp"]) == 4


async def test_an_old_value_keeps_it_and_a_value_that_is_gone_loses_it(scene: Scene) -> None:
    await scene.clock.advance(LINK_DEADLINE_REAL_S + 1)
    old = scene.view.reading(NAME)
    assert (old.quality, old.u95) == (Quality.STALE, 0.0216)
    await scene.clock.advance(BAD_AFTER_REAL_S)
    gone = scene.view.reading(NAME)
    assert (gone.value, gone.u95) == (None, None)
