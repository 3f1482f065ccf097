"""Faults that lay hold of the same thing, lifted in any order, leave it as it was."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import pytest

from plantview.simulator.claims import Claims


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_whatever_the_order_the_value_comes_back(order: tuple[int, ...]) -> None:
    claims, thing = Claims(), SimpleNamespace(speed=1)
    releases = [claims.claim(thing, "speed", value) for value in (10, 20, 30)]
    assert thing.speed == 30
    for place in order:
        releases[place]()
    assert thing.speed == 1


def test_the_latest_claim_that_is_left_wins() -> None:
    claims, thing = Claims(), SimpleNamespace(speed=1)
    first, second = claims.claim(thing, "speed", 10), claims.claim(thing, "speed", 20)
    second()
    assert thing.speed == 10
    first()
    assert thing.speed == 1
