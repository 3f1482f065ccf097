"""Moments of simulated plants, judged as the field process does and drawn as the web process does."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from dataclasses import replace
from typing import Any, cast
from xml.etree import ElementTree as ET

import orjson
from starlette.requests import Request

from plantview.channel.client import ChannelClient
from plantview.clock import ManualClock
from plantview.derive import Derivation
from plantview.derive.conditions import conditions
from plantview.derive.flows import flows
from plantview.model.plant import Plant, Stage
from plantview.model.reading import Frame, Reading, good
from plantview.model.signal import signal_of
from plantview.service.messages import hello, view
from plantview.simulator.plant import SimulatedPlant
from plantview.web.frame_view import FrameView
from plantview.web.plain.phone import PhonePage
from plantview.web.schematic import draw
from plantview.web.schematic.filling import Moment
from plantview.web.schematic.sheet_alone import stand_alone
from tests.simulation.plant_days import MORNING_MS

SVG = "{http://www.w3.org/2000/svg}"


def with_dedicated_pumps(larkfield: Plant) -> Plant:
    """Return the plant piped so that each primary pump serves one chiller."""
    loop = larkfield.loops["chw"]
    pumps, chillers = loop.stages_of("pump")[0], loop.stages_of("chiller")[0]
    branches = tuple((*pump, *chiller) for pump, chiller in zip(pumps.branches, chillers.branches, strict=True))
    stages = [stage for stage in loop.stages if stage not in (pumps, chillers)]
    own = replace(
        loop,
        headers=tuple(header for header in loop.headers if header != pumps.end),
        stages=(Stage("chillers", "chiller", pumps.start, chillers.end, branches), *stages),
    )
    return replace(larkfield, loops={**larkfield.loops, "chw": own})


def moment_of(
    simulated: SimulatedPlant,
    plant: Plant,
    *,
    tripped: AbstractSet[str] = frozenset(),
    changes: Mapping[str, Reading] | None = None,
    system: str = "si",
) -> Moment:
    """Return what the plant reports now, worked out and judged."""
    measured = {name: good(value, MORNING_MS) for name, value in simulated.reported().items()} | dict(changes or {})
    derivation = Derivation(plant)
    frame = Frame(1, MORNING_MS, measured)
    frame = Frame(1, MORNING_MS, measured | dict(derivation.run(frame).readings))
    judged = conditions(plant, frame, tripped)
    rows = view(frame, judged, flows(plant, frame, judged))
    signals = {name: signal_of(point) for name, point in plant.points.items()} | dict(derivation.signals)
    return Moment(MORNING_MS, signals, frame.readings, rows["conditions"], rows["flows"], (), heard=True, system=system)


def drawn(plant: Plant, moment: Moment, orientation: str = "wall") -> ET.Element:
    """Return the whole plant as a file of its own."""
    text = stand_alone(draw(plant, moment.signals, orientation), plant, moment, "light")
    return ET.fromstring(text)  # noqa: S314 - our own text


def machine(root: ET.Element, equipment: str) -> dict[str, str]:
    """Return the state of a machine on a drawing, its word, its detail and its title."""
    node = next(each for each in root.iter() if each.get("data-equipment") == equipment)
    found = {"state": node.get("data-state", ""), "title": node.findtext(f"{SVG}title") or ""}
    for child in node:
        for name in set(child.get("class", "").split()) & {"word", "detail"}:
            found[name] = (child.text or "").strip()
    return found


def value(root: ET.Element, signal: str) -> tuple[str, str, set[str]]:
    """Return number, unit and marks of a value on a drawing."""
    node = next(each for each in root.iter() if each.get("data-signal") == signal)
    texts = {each.get("class", ""): each.text or "" for each in node.iter() if each.tag == f"{SVG}tspan"}
    return texts["number"], texts["unit"], set(node.get("class", "").split())


def phone(plant: Plant, moment: Moment) -> dict[str, Any]:
    """Return what the phone page is told of a moment: ``values`` with their marks, and ``states``."""
    clock = ManualClock(moment.at_ms)
    seen = FrameView(plant, clock)
    seen.take("hello", hello(plant, clock, moment.signals, {}, moment.at_ms))
    rows = view(Frame(1, moment.at_ms, moment.readings), {}, {})["readings"]
    told = {"readings": rows, "conditions": moment.conditions, "flows": moment.flows}
    seen.take("frame", {"seq": 1, "now_ms": moment.at_ms, "full": True, **told})
    page = PhonePage(seen, cast("ChannelClient", None))
    asked = Request({"type": "http", "query_string": f"units={moment.system}".encode(), "headers": []})
    return cast("dict[str, Any]", orjson.loads(asyncio.run(page.now(asked)).body))
