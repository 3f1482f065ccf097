"""Every arrangement of machines that the plant description promises to cover loads without a problem."""

from __future__ import annotations

from pathlib import Path

import pytest

from plantview.model.services import service_of
from tests.shapes import SHAPES, read_shape


@pytest.mark.parametrize("name", SHAPES)
def test_the_arrangement_loads_and_its_headers_are_in_ring_order(name: str, tmp_path: Path) -> None:
    plant, problems = read_shape(name, tmp_path)
    assert problems == []
    assert plant is not None
    for loop in plant.loops.values():
        order = {header: at for at, header in enumerate(loop.headers)}
        assert loop.headers[0] == loop.start
        assert all(order[stage.start] < order[stage.end] or stage.end == loop.start for stage in loop.stages)


# The chiller supplies chilled water, the tower supplies condenser water (common practice, no source).
PIPES = [
    (
        "three primary secondary",
        {
            "chw-return": "CHWR",
            "pri-out": "CHWR",
            "chw-supply": "CHWS",
            "sec-out": "CHWS",
            "basin": "CWS",
            "cwp-out": "CWS",
            "cwr": "CWR",
        },
    ),
    (
        "variable primary with economiser",
        {"hx-out": "CHWR", "pump-out": "CHWR", "chw-supply": "CHWS", "basin": "CWS", "cwr": "CWR"},
    ),
    ("heat recovery", {"hw-return": "HWR", "hw-supply": "HWS", "chw-supply": "CHWS", "cwr": "CWR"}),
    ("tertiary", {"ter-out": "CHWS", "sec-out": "CHWS"}),
]


@pytest.mark.parametrize(("name", "expected"), PIPES)
def test_the_pipe_names_follow_from_who_makes_and_who_uses_the_water(
    name: str, expected: dict[str, str], tmp_path: Path
) -> None:
    plant, _ = read_shape(name, tmp_path)
    assert plant is not None
    names = {header: service_of(loop, header) for loop in plant.loops.values() for header in loop.headers}
    assert {header: names[header] for header in expected} == expected
