"""What polling promises, held against servers of six different makers."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import pytest

from plantview.clock import SystemClock
from plantview.model.quality import Quality
from tests.faults import bacnet_device as raw
from tests.faults.polled import Outcomes, bacnet_device, object_point, open_sockets, plant_of, polling
from tests.interop.driver_contract import MISSING, PEERS, POINTS, Peer
from tests.interop.peers import javascript

GOOD, BAD = Quality.GOOD, Quality.BAD
NAMES = [f"P{number}.power" for number in range(1, POINTS + 1)]


@pytest.fixture(params=list(PEERS))
async def peer(request: pytest.FixtureRequest) -> AsyncIterator[Peer]:
    made = PEERS[request.param]()
    if request.param == "rusty-bacnet":
        pytest.importorskip("rusty_bacnet")
    if request.param == "node-bacnet" and javascript.MISSING:
        pytest.skip(javascript.WHY_MISSING)
    await made.start()
    yield made
    await made.stop()


def _all_good(seen: Outcomes) -> bool:
    return all(name in seen.readings and seen.readings[name].quality is GOOD for name in NAMES)


async def test_every_value_arrives_as_served_with_its_time(peer: Peer) -> None:
    clock = SystemClock()
    before_ms = clock.now_ms()
    async with polling(plant_of([peer.device], peer.points()), clock) as (_, outcomes):
        await outcomes.until(_all_good)
        assert {name: outcomes.readings[name].value for name in NAMES} == {
            f"P{number}.power": 10.0 * number for number in range(1, POINTS + 1)
        }
        assert all(before_ms <= outcomes.readings[name].at_ms <= clock.now_ms() for name in NAMES)


async def test_a_change_is_seen_and_the_others_stay_as_they_are(peer: Peer) -> None:
    async with polling(plant_of([peer.device], peer.points()), SystemClock()) as (_, outcomes):
        await outcomes.until(_all_good)
        await peer.put(7, 4_321.0)
        await outcomes.until(lambda seen: seen.readings["P7.power"].value == 4_321.0)
        assert outcomes.readings["P8.power"].value == 80.0


async def test_a_point_that_the_device_does_not_have_is_bad_with_the_device_s_word_and_costs_no_other(
    peer: Peer,
) -> None:
    async with polling(plant_of([peer.device], peer.points()), SystemClock()) as (_, outcomes):
        await outcomes.until(lambda seen: _all_good(seen) and f"{MISSING}.power" in seen.readings)
        found = outcomes.readings[f"{MISSING}.power"]
        assert found.quality is BAD
        assert "unknown-object" in found.reason or "illegal data address" in found.reason


async def test_eighty_points_cost_few_requests(peer: Peer) -> None:
    async with polling(plant_of([peer.device], peer.points()), SystemClock()) as (running, outcomes):
        await outcomes.until(_all_good)
        (health,) = running.health()
        assert health["state"] == "answering"
        assert health["plans"][0]["requests_per_cycle"] <= 2
        assert health["last_answer_ms"] is not None


async def test_a_stopped_device_falls_silent_and_a_started_one_answers_again_while_others_go_on(peer: Peer) -> None:
    async with raw.serving(raw.honest, instance=78) as other:
        beside = bacnet_device("BC-9", other.port, 78)
        plant = plant_of([peer.device, beside], [*peer.points(), object_point("Z", beside, "analog-input,3")])
        async with polling(plant, SystemClock()) as (running, outcomes):
            await outcomes.until(_all_good)
            await peer.stop()
            await outcomes.until(lambda seen: "P1.power" in seen.silent)
            assert outcomes.readings["P1.power"].quality is GOOD, "the last reading stands; history ages it"
            assert _state(running.health(), peer.device.id) == "silent"
            cycles = outcomes.told["Z.power"]
            await outcomes.until(lambda seen: seen.told["Z.power"] >= cycles + 3)
            await peer.start()
            told = outcomes.told["P1.power"]
            await outcomes.until(lambda seen: seen.told["P1.power"] > told)
            assert _state(running.health(), peer.device.id) == "answering"


def _state(health: list[dict[str, object]], device: str) -> object:
    return next(one["state"] for one in health if one["id"] == device)


async def test_polling_leaves_no_task_and_no_socket_behind(peer: Peer) -> None:
    for _ in range(3):  # the peer may keep a task for a connection until it notices the end
        tasks, sockets = len(asyncio.all_tasks()), open_sockets()
        async with polling(plant_of([peer.device], peer.points()), SystemClock()) as (_running, outcomes):
            await outcomes.until(_all_good)
        await _until_equal(tasks, sockets)


async def _until_equal(tasks: int, sockets: int) -> None:
    async with asyncio.timeout(2):
        while (len(asyncio.all_tasks()), open_sockets()) != (tasks, sockets):  # noqa: ASYNC110 - the peer tells nobody
            await asyncio.sleep(0.005)
