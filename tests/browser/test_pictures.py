"""Pictures of every arrangement, both themes, wall and phone, to be looked at; kept in ``pictures`` beside this file.

Run with ``pytest -m long tests/browser/test_pictures.py``. Values and states are made up, one of each kind.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad, good
from plantview.web.schematic import draw, machine_drawing
from plantview.web.schematic.filling import Moment
from plantview.web.schematic.legible import least_px
from plantview.web.schematic.sheet_alone import THEMES, stand_alone
from tests.browser.seeing import SIZES
from tests.unit.schematic_plants import DRAWN, plant, signals

pytestmark = [pytest.mark.browser, pytest.mark.long, pytest.mark.timeout(300)]

FOLDER = Path(__file__).parent / "pictures"
NOW_MS = 1_783_400_400_000
TYPICAL = {"temperature": 12.3, "flow": 91.4, "percent": 62.0, "power": 213.4, "efficiency": 0.62, "heat_flow": 1581.0}
STATES = (("run", "RUN", ""), ("run", "RUN", ""), ("off", "OFF", "next to start"), ("tripped", "TRIPPED", "CH-1.fault"))


def moment(described: Plant, name: str) -> Moment:
    """Return a moment with numbers that take room, a stale, a bad and a held value among them."""
    readings: dict[str, Reading] = {}
    for place, (signal, known) in enumerate(signals(name).items()):
        value = TYPICAL.get(known.quantity, 88.0)
        readings[signal] = {
            11: bad("no answer in 2 s", NOW_MS),
            17: Reading(value, Quality.STALE, "value is 40 s old", NOW_MS - 40_000),
            23: Reading(value, Quality.UNCERTAIN, "in hand at the device", NOW_MS),
        }.get(place % 97, good(value, NOW_MS))
    words = itertools.cycle(STATES)
    states = {item: [*next(words), place % 7 == 3] for place, item in enumerate(described.equipment)}
    states |= {item.id: ["run", "OPEN", "", False] for item in described.of_kind("valve")}
    keys = [f"{loop.id}/{stage.id}/{n}" for loop in described.loops.values() for stage in loop.stages
            for n in range(len(stage.branches))]  # fmt: skip
    keys += [f"{loop.id}/{bypass.id}" for loop in described.loops.values() for bypass in loop.bypasses]
    flows = {key: [90.0, place % 5 != 4, "measured"] for place, key in enumerate(keys)}
    return Moment(NOW_MS, signals(name), readings, states, flows, (), heard=True, system="ip")


@pytest.mark.parametrize(("name", "theme", "size"), list(itertools.product(DRAWN, THEMES, ("wall", "phone"))))
def test_a_picture_of_every_arrangement_is_kept(browser: Browser, name: str, theme: str, size: str) -> None:
    described = plant(name)
    text = draw(described, signals(name), {"wall": "screen", "phone": "phone"}[size], least_px(3.0))
    path = FOLDER / f"{name.replace(' ', '-')}-{size}-{theme}.png"
    take(browser, stand_alone(text, described, moment(described, name), theme), size, path)
    assert path.stat().st_size > 10_000


@pytest.mark.parametrize("equipment", ["CH-1", "CT-1", "CWP-1", "AHU-N1", "V-TB"])
def test_a_picture_of_every_kind_of_machine_is_kept(browser: Browser, equipment: str) -> None:
    described = plant("larkfield")
    text = machine_drawing(described, equipment, signals("larkfield"))
    path = FOLDER / f"machine-{equipment}-light.png"
    take(browser, stand_alone(text, described, moment(described, "larkfield"), "light"), "laptop", path)
    assert path.stat().st_size > 10_000


def take(browser: Browser, drawing: str, size: str, path: Path) -> None:
    """Take a picture of a drawing at a size; on a phone all of it, however long."""
    FOLDER.mkdir(exist_ok=True)
    page = browser.new_page(viewport={"width": SIZES[size][0], "height": SIZES[size][1]})
    try:
        high = "" if size == "phone" else "max-height:100vh;"
        page.set_content(f'<body style="margin:0">{drawing}<style>svg{{width:100%;{high}height:auto}}</style>')
        page.screenshot(path=str(path), full_page=size == "phone")
    finally:
        page.close()
