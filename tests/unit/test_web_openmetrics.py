"""``/metrics`` against the grammar of the OpenMetrics 1.0 text format, written here from the specification's ABNF."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import httpx
import pytest

from plantview.clock import ManualClock
from plantview.model.person import Role
from plantview.model.plant import Plant
from plantview.web.access.gate import Terms
from plantview.web.frame_view import FrameView
from plantview.web.live import Live
from plantview.web.openmetrics import CONTENT, Family, Monitoring
from tests.unit.access_rig import key_of, rig

NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
LABEL = r'[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\[\\"n])*"'
SAMPLE = re.compile(rf"({NAME})(?:\{{((?:{LABEL})(?:,{LABEL})*)?\}})? (-?[0-9][0-9.e+-]*|NaN|[+-]Inf)")
DESCRIPTION = re.compile(rf"# (TYPE|UNIT|HELP) ({NAME}) (.*)")
SUFFIXES = {"gauge": {""}, "counter": {"_total", "_created"}, "info": {"_info"}}
"""Of the types that are written here (OpenMetrics 1.0, section on the MetricFamily types)."""


def parsed(text: str) -> dict[str, dict[str, float]]:
    """Return the samples by family; AssertionError for what the format forbids."""
    assert text.endswith("# EOF\n")
    found: dict[str, dict[str, float]] = {}
    kind = name = ""
    for line in text.removesuffix("# EOF\n").splitlines():
        if told := DESCRIPTION.fullmatch(line):
            if told[1] == "TYPE":
                kind, name = told[3], told[2]
                assert kind in SUFFIXES
                assert name not in found, "a family stands in one place"
                found[name] = {}
            assert told[2] == name, "descriptions stand before the samples of their family"
            assert not found[name]
            assert told[1] != "UNIT" or name.endswith(f"_{told[3]}"), "a unit is part of the name"
            continue
        sample = SAMPLE.fullmatch(line)
        assert sample is not None, line
        assert sample[1].removeprefix(name) in SUFFIXES[kind], line
        labels = sample[2] or ""
        assert labels not in found[name], "a set of labels stands once"
        found[name][labels] = float(sample[3])
    return found


@pytest.mark.parametrize(
    "text", ["a 1\n", "# TYPE a gauge\na{b=c} 1\n# EOF\n", "# TYPE a counter\na 1\n# EOF\n", "# EOF"]
)
def test_the_parser_of_this_test_refuses_what_the_format_forbids(text: str) -> None:
    with pytest.raises(AssertionError):
        parsed(text)


def _view(plant: Plant) -> tuple[FrameView, Live]:
    clock = ManualClock()
    view = FrameView(plant, clock)
    return view, Live(view, clock)


async def _asked(view: FrameView, live: Live) -> str:
    answer: Any = await Monitoring(view, live).answer(None)  # type: ignore[arg-type] # it asks the request nothing
    assert answer.headers["content-type"] == CONTENT
    return bytes(answer.body).decode()


async def test_what_is_not_known_has_no_sample_and_does_not_read_as_zero(orchard: Plant) -> None:
    found = parsed(await _asked(*_view(orchard)))
    assert found["plantview_link_up"] == {"": 0.0}
    assert not {"plantview_devices_silent", "plantview_alarms_active"} & set(found)
    assert found["process_resident_memory_bytes"][""] > 1e7


async def test_devices_polls_and_alarms_are_counted(orchard: Plant) -> None:
    view, live = _view(orchard)
    alarms = [{"priority": 1, "acked": False}, {"priority": 3, "acked": True}, {"priority": 3, "acked": False}]
    devices = [{"id": 'BC-1"\\\n', "skipped": 7, "requests": 1000}, {"id": "CH-1-PANEL", "skipped": 0, "requests": 5}]
    view.take("hello", {"signals": [], "now_ms": 1, "speed": 1.0, "version": "x"})
    view.take("frame", {"seq": 1, "now_ms": 1, "full": True, "readings": {}, "conditions": {}, "flows": {}})
    view.take("alarms", {"seq": 1, "active": alarms})
    view.take("health", {"now_ms": 1, "devices": devices, "silent": ["CH-1-PANEL"]})
    found = parsed(await _asked(view, live))
    assert found["plantview_link_up"] == {"": 1.0}
    assert found["plantview_devices"] == {"": 2.0}
    assert found["plantview_devices_silent"] == {"": 1.0}
    assert list(found["plantview_alarms_active"].values()) == [1.0, 0.0, 2.0, 0.0]
    assert found["plantview_alarms_unacknowledged"] == {"": 2.0}
    assert found["plantview_polls_skipped"] == {r'device="BC-1\"\\\n"': 7.0, 'device="CH-1-PANEL"': 0.0}


def test_a_family_without_samples_is_still_described() -> None:
    assert list(Family("x", "gauge", "Why\nnot.", ()).lines()) == ["# TYPE x gauge", "# HELP x Why\\nnot."]


@pytest.mark.parametrize("wanted", [True, False])
async def test_it_is_there_only_when_asked_for_and_then_for_whoever_may_see(
    orchard: Plant, tmp_path: Path, wanted: bool
) -> None:
    with rig(orchard, tmp_path, Terms(openmetrics=wanted)) as made:
        async with made.client() as http:
            sent = {"authorization": f"Bearer {key_of(Role.VIEWER)}"}
            answers: list[httpx.Response] = [await http.get("/metrics"), await http.get("/metrics", headers=sent)]
    assert [answer.status_code for answer in answers] == ([401, 200] if wanted else [404, 404])
