"""Browsing by BAC0: an answer that does not fit is asked for in smaller parts, an odd value costs one object.

BAC0 and bacpypes3 are played by stand-ins that fail as the real ones were seen to fail; the real ones answer in
``tests/interop/test_survey.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest
from bacpypes3.apdu import AbortPDU, RejectPDU
from bacpypes3.errors import InvalidTag
from bacpypes3.primitivedata import Real

from plantview.drivers.bacnet_browse import Browser
from plantview.drivers.bacnet_facts import ASKED, Announced
from plantview.drivers.bacnet_isolated import bac0
from plantview.errors import DeviceSilent

DEVICE = Announced(7, "127.0.0.1:47911", 1476, "no-segmentation", 999)
OBJECTS = [f"analog-input,{number}" for number in range(1, 21)]


@dataclass
class Application:
    """bacpypes3's typed services: one property at a time."""

    silent: bool = False
    asked: list[str] = field(default_factory=list)

    async def read_property(self, address: Any, identifier: Any, name: Any, index: int | None) -> Any:
        self.asked.append(f"{identifier} {name}")
        if self.silent:
            raise AbortPDU(reason=65)  # bacpypes3's own: no response
        if str(name) == "object-name":
            return f"one of {identifier[1]}"
        if str(name) == "present-value":
            return Real(1.5)
        raise RejectPDU(reason=9)


@dataclass
class Network:
    """BAC0: several objects at a time, failing as told."""

    fits: int = 10
    odd: frozenset[str] = frozenset()
    raises: BaseException | None = None
    groups: list[int] = field(default_factory=list)

    async def readMultiple(self, args: str, request_dict: dict[str, Any]) -> Any:  # noqa: N802 - named by BAC0
        objects: Sequence[str] = list(request_dict["objects"])
        self.groups.append(len(objects))
        if self.raises is not None:
            raise self.raises
        if len(objects) > self.fits:
            return []
        if self.odd & set(objects):
            raise InvalidTag("an odd value")
        return {
            one.replace(":", ","): [("object-name", f"name of {one}"), ("present-value", Real(2.0))] for one in objects
        }


def browser(application: Application, network: Network) -> Browser:
    return Browser(application, network, 0.2)


async def test_objects_are_asked_for_in_batches_and_come_in_order() -> None:
    network = Network()
    found = await browser(Application(), network).objects(DEVICE, OBJECTS)
    assert [one.identifier for one in found] == OBJECTS
    assert network.groups == [10, 10]


async def test_an_answer_that_does_not_fit_is_halved_and_the_size_is_remembered() -> None:
    network = Network(fits=3)
    found = await browser(Application(), network).objects(DEVICE, OBJECTS)
    assert [one.identifier for one in found] == OBJECTS
    assert network.groups[:3] == [10, 5, 2]
    assert max(network.groups[3:]) <= 2


async def test_one_odd_value_costs_one_object_and_no_smaller_batches_for_the_rest() -> None:
    network, application = Network(odd=frozenset({"analog-input:3"})), Application()
    found = await browser(application, network).objects(DEVICE, OBJECTS)
    assert [one.identifier for one in found] == OBJECTS
    assert [one.value for one in found] == [1.5 if number == 3 else 2.0 for number in range(1, 21)]
    assert {asked.partition(" ")[0] for asked in application.asked} == {"analog-input,3"}
    assert network.groups[-1] == 10


async def test_what_the_device_refuses_of_one_object_is_said_with_it() -> None:
    network = Network(odd=frozenset({"analog-input:3"}))
    found = await browser(Application(), network).objects(DEVICE, OBJECTS[2:3])
    assert found[0].name == "one of 3"
    assert "units: refused by the device" in found[0].trouble


async def test_a_silent_device_is_silent_after_its_first_object() -> None:
    network, application = (
        Network(raises=bac0().core.io.IOExceptions.NoResponseFromController()),
        Application(silent=True),
    )
    with pytest.raises(DeviceSilent):
        await browser(application, network).objects(DEVICE, OBJECTS)
    assert (network.groups, len(application.asked)) == ([10], 1)


async def test_a_device_that_bac0_cannot_read_is_read_without_it() -> None:
    network, application = Network(), Application()
    unheard = Announced(7, "127.0.0.1:47911", 1476, "no-segmentation", 999, ASKED)
    found = await browser(application, network).objects(unheard, OBJECTS[:2])
    assert [one.value for one in found] == [1.5, 1.5]
    assert network.groups == []


def test_a_small_device_is_asked_for_few_objects_at_once() -> None:
    one = browser(Application(), Network())
    sizes = {apdu: one.batch(Announced(1, f"a{apdu}", apdu, "no-segmentation", 0)) for apdu in (50, 206, 480, 1_476)}
    assert sizes == {50: 1, 206: 1, 480: 3, 1_476: 10}
