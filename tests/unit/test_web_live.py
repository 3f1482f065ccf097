"""The web process's copy of the plant, and what its viewers are told."""

from __future__ import annotations

import asyncio
import random
from pathlib import Path
from typing import Any

import orjson
import pytest

from plantview.channel.client import LOST
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.model.quality import Quality
from plantview.units import unit
from plantview.web import live as live_module
from plantview.web.frame_view import BAD_AFTER_REAL_S, LINK_DEADLINE_REAL_S, FrameView
from plantview.web.live import Live
from plantview.web.snapshot import line, turns
from tests.unit.fake_field import START_MS, FakeField
from tests.unit.live_words import read

PLANT = load_plant(bundled("plants") / "orchard")
POINT = "CH-1.chws_temp"


class Scene:
    """A field, a view and its viewers without sockets, on a clock that the test moves."""

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.field = FakeField(PLANT, Path("/nowhere/s.sock"))
        self.view = FrameView(PLANT, self.clock)
        self.live = Live(self.view, self.clock)

    def hear(self, kind: str, body: dict[str, Any]) -> None:
        change = self.view.take(kind, body)
        if change is not None:
            self.live.changed(change)

    def connect(self) -> None:
        self.hear("hello", self.field.hello())
        self.hear("frame", self.field.frame(full=True))
        self.hear("alarms", self.field.alarms())
        self.hear("health", self.field.health())

    def beat(self, names: list[str] | None = None) -> None:
        self.field.number += 1
        self.field.now_ms += 1_000
        self.hear("frame", self.field.frame(full=False, names=names))

    def next_for(self, seq: int) -> tuple[int, dict[str, Any]]:
        following = self.live.next_for(seq)
        assert following is not None
        return following[0], read(following[1])


@pytest.fixture
def scene() -> Scene:
    made = Scene()
    made.connect()
    return made


def test_a_new_viewer_gets_everything_that_a_page_needs(scene: Scene) -> None:
    seq, told = scene.next_for(-1)
    assert told["kind"] == "snapshot"
    assert told["seq"] == seq
    assert told["link"]["ok"] is True
    assert told["zone"] == PLANT.zone
    assert set(told["signals"]) == set(scene.field.signals) == set(told["readings"])
    assert told["signals"][POINT]["equipment"] == "CH-1"
    assert told["conditions"]["CH-1"] == ["run", "RUN", "", False]
    assert told["alarms"] == scene.field.alarms()
    assert [row["id"] for row in told["health"]["devices"]] == list(PLANT.devices)
    assert all("exchanges" not in row for row in told["health"]["devices"])


def test_a_viewer_that_kept_up_gets_only_what_changed(scene: Scene) -> None:
    seq, _ = scene.next_for(-1)
    scene.beat([POINT])
    following, told = scene.next_for(seq)
    assert told["kind"] == "delta"
    assert (told["prev"], told["seq"]) == (seq, following) == (seq, seq + 1)
    assert list(told["readings"]) == [POINT]
    assert told["now_ms"] == START_MS + 1_000
    assert "flows" not in told
    assert scene.live.next_for(following) is None


def test_a_viewer_that_missed_some_gets_what_changed_since_in_one_delta(scene: Scene) -> None:
    other, third = [name for name in scene.field.signals if name != POINT][:2]
    scene.beat([third])
    seq, _ = scene.next_for(-1)
    scene.beat([POINT])
    scene.beat([POINT, other])
    following, told = scene.next_for(seq)
    assert told["kind"] == "delta"
    assert (told["prev"], told["seq"]) == (seq, following) == (seq, seq + 2)
    assert told["readings"] == {name: scene.view.readings[name] for name in (POINT, other)}
    assert told["now_ms"] == scene.view.now_ms()
    assert not {"conditions", "flows", "alarms", "health"} & set(told)
    assert list(scene.next_for(seq + 1)[1]["readings"]) == [POINT, other]


def test_a_viewer_that_missed_alarms_and_conditions_gets_them_whole_and_as_they_are_now(scene: Scene) -> None:
    seq, _ = scene.next_for(-1)
    scene.field.active = [{"id": "A", "acked": False}]
    scene.hear("alarms", scene.field.alarms())
    scene.field.active = []
    scene.hear("alarms", scene.field.alarms())
    for word in ("STARTING", "RUN"):
        scene.hear(
            "frame", {**scene.field.frame(full=False, names=[]), "conditions": {"CH-1": ["run", word, "", False]}}
        )
    _, told = scene.next_for(seq)
    assert told["alarms"]["active"] == []
    assert told["conditions"] == {"CH-1": ["run", "RUN", "", False]}
    assert "readings" not in told


def test_however_often_a_viewer_misses_something_it_ends_where_a_new_one_begins(scene: Scene) -> None:
    """Any pattern of misses, full frames among them: applied in order, the messages give the present state."""
    lots = random.Random(8)
    names = list(scene.field.signals)
    seq, copy = scene.next_for(-1)
    kinds = []
    for _ in range(60):
        for _ in range(lots.choice((1, 1, 2, 5))):
            scene.beat(lots.sample(names, 4))
        if lots.random() < 0.1:
            scene.hear("frame", scene.field.frame(full=True))
        before = seq
        seq, told = scene.next_for(seq)
        kinds.append(told["kind"])
        if told["kind"] == "snapshot":
            copy = told
        else:
            assert told["prev"] == before
            copy["readings"].update(told.get("readings", {}))
        assert copy["readings"] == scene.view.readings
    assert set(kinds) == {"snapshot", "delta"}


def test_a_viewer_that_missed_a_full_frame_gets_everything(scene: Scene) -> None:
    seq, _ = scene.next_for(-1)
    scene.hear("frame", scene.field.frame(full=True))
    scene.beat([POINT])
    assert scene.next_for(seq)[1]["kind"] == "snapshot"


def test_a_viewer_that_comes_back_names_its_last_state_and_the_run_that_told_it(scene: Scene) -> None:
    seq, told = scene.next_for(-1)
    run = told["run"]
    assert scene.live.resumed(run, str(seq)) == seq
    assert Live(scene.view, scene.clock).run_id != run
    for other_run, claimed in (
        ("another", str(seq)),
        ("", str(seq)),
        (run, str(seq + 1)),
        (run, "-1"),
        (run, ""),
        (run, "1e3"),
        (run, "\u0661"),
        (run, "9" * 400),
    ):
        assert scene.live.resumed(other_run, claimed) == -1, claimed


def test_a_short_message_is_text_and_a_long_one_is_packed_once(scene: Scene) -> None:
    seq, _ = scene.next_for(-1)
    scene.beat([POINT])
    short = scene.live.next_for(seq)
    scene.beat()
    long = scene.live.next_for(seq + 1)
    assert short is not None
    assert long is not None
    assert isinstance(short[1], str)
    assert isinstance(long[1], bytes)
    assert len(long[1]) < len(orjson.dumps(read(long[1]))) / 3


def test_deltas_applied_in_order_give_what_a_snapshot_says(scene: Scene) -> None:
    seq, copy = scene.next_for(-1)
    for number in range(1, 30):
        scene.beat([name for index, name in enumerate(scene.field.signals) if index % number == 0])
        seq, told = scene.next_for(seq)
        assert told["kind"] == "delta"
        copy["readings"].update(told["readings"])
    assert copy["readings"] == scene.next_for(-1)[1]["readings"]


def test_one_encoding_serves_all_viewers(scene: Scene) -> None:
    scene.beat()
    assert scene.live.next_for(0) == scene.live.next_for(-1)
    first, second = scene.live.next_for(-1), scene.live.next_for(-1)
    assert first is not None
    assert second is not None
    assert first[1] is second[1]


def test_shown_numbers_are_a_line_of_the_reported_ones(scene: Scene) -> None:
    signal = scene.field.signals[POINT]
    si, ip = line(signal, "si"), line(signal, "ip")
    for celsius in (-5.0, 6.67, 44.0):
        reported = signal.unit.from_canonical(celsius)
        assert reported * si["f"] + si["o"] == pytest.approx(celsius, abs=1e-9)
        assert reported * ip["f"] + ip["o"] == pytest.approx(celsius * 9 / 5 + 32, abs=1e-9)
    assert (si["u"], ip["u"]) == ("°C", "°F")
    assert unit("degF", "temperature").to_canonical(32.0) == pytest.approx(0.0, abs=1e-9)


def test_when_the_field_goes_every_viewer_is_told_and_gets_a_snapshot_when_it_is_back(scene: Scene) -> None:
    seq, _ = scene.next_for(-1)
    scene.hear(LOST, {})
    held, told = scene.next_for(seq)
    assert told["kind"] == "snapshot"
    assert told["link"] == {"ok": False, "since_ms": START_MS}
    assert {reading[1] for reading in told["readings"].values()} == {Quality.STALE}
    assert scene.next_for(held) == (held, {"kind": "link", "ok": False, "since_ms": START_MS, "now_ms": START_MS})
    scene.connect()
    for behind in (-1, seq, held):
        assert scene.next_for(behind)[1]["kind"] == "snapshot"
    assert scene.next_for(seq)[1]["link"]["ok"] is True


async def test_a_field_that_is_connected_but_silent_is_as_gone_as_one_that_left(scene: Scene) -> None:
    seq, _ = scene.next_for(-1)
    await scene.clock.advance(LINK_DEADLINE_REAL_S - 0.1)
    scene.live.check_link()
    assert scene.live.next_for(seq) is None
    await scene.clock.advance(0.2)
    scene.live.check_link()
    seq, told = scene.next_for(seq)
    assert told["kind"] == "snapshot"
    assert scene.next_for(seq)[1] == {
        "kind": "link",
        "ok": False,
        "since_ms": START_MS,
        "now_ms": START_MS + round((LINK_DEADLINE_REAL_S + 0.1) * 1_000),
    }
    scene.beat([POINT])
    back, told = scene.next_for(seq)
    assert told["kind"] == "snapshot"
    assert told["link"]["ok"] is True
    scene.beat([POINT])
    assert scene.next_for(back)[1]["kind"] == "delta"


async def test_the_watch_tells_once_per_second_while_the_field_is_silent(scene: Scene) -> None:
    woken = 0
    viewer = live_module._Viewer()
    scene.live._viewers.add(viewer)
    watching = asyncio.create_task(scene.live.run())
    for _ in range(20):
        viewer.wake.clear()
        await scene.clock.advance(1.0)
        woken += viewer.wake.is_set()
    watching.cancel()
    assert woken == 20 - LINK_DEADLINE_REAL_S


async def test_after_a_minute_of_silence_viewers_hold_no_number_any_more(scene: Scene) -> None:
    await scene.clock.advance(LINK_DEADLINE_REAL_S + 1)
    scene.live.check_link()
    seq, _ = scene.next_for(-1)
    await scene.clock.advance(BAD_AFTER_REAL_S - LINK_DEADLINE_REAL_S - 2)
    scene.live.check_link()
    assert scene.next_for(seq)[1]["kind"] == "link"
    await scene.clock.advance(2)
    scene.live.check_link()
    _, told = scene.next_for(seq)
    assert told["kind"] == "snapshot"
    assert {tuple(reading[:2]) for reading in told["readings"].values()} == {(None, Quality.BAD)}
    assert all("no data from the field process since" in reading[2] for reading in told["readings"].values())


async def test_the_last_values_grow_old_and_then_go_when_the_field_is_silent(scene: Scene) -> None:
    fresh = scene.view.reading(POINT)
    assert fresh.quality is Quality.GOOD
    await scene.clock.advance(LINK_DEADLINE_REAL_S + 1)
    stale = scene.view.reading(POINT)
    assert stale.quality is Quality.STALE
    assert stale.value == fresh.value
    assert "no data from the field process since" in stale.reason
    await scene.clock.advance(BAD_AFTER_REAL_S)
    gone = scene.view.reading(POINT)
    assert gone.value is None
    assert gone.quality is Quality.BAD
    assert scene.view.now_ms() - gone.at_ms == round((LINK_DEADLINE_REAL_S + 1 + BAD_AFTER_REAL_S) * 1_000)


def test_nothing_is_live_before_the_first_full_frame() -> None:
    scene = Scene()
    assert scene.view.link().ok is False
    scene.hear("hello", scene.field.hello())
    scene.beat([POINT])
    assert scene.view.link().ok is False
    assert scene.view.reading(POINT).quality is Quality.BAD
    assert scene.next_for(-1)[1]["readings"] == {}


def test_a_reading_that_never_came_is_bad_and_not_absent(scene: Scene) -> None:
    assert scene.view.reading("CH-1.nothing").reason == "not read yet"


def test_a_full_frame_forgets_what_is_no_longer_there(scene: Scene) -> None:
    scene.view.readings["OLD.point"] = [1.0, 0, "", START_MS]
    scene.hear("frame", scene.field.frame(full=True))
    assert "OLD.point" not in scene.view.readings


def test_plant_time_runs_on_at_the_speed_of_the_simulation() -> None:
    scene = Scene()
    scene.hear("hello", {**scene.field.hello(), "speed": 60.0})
    scene.hear("frame", scene.field.frame(full=True))
    scene.clock.step(100)
    assert scene.view.now_ms() == START_MS
    assert scene.view.speed == 60.0


async def test_health_counters_reach_viewers_at_their_own_pace(scene: Scene) -> None:
    seq, _ = scene.next_for(-1)
    for _ in range(3):
        scene.hear("health", scene.field.health())
    assert scene.live.next_for(seq) is None
    await scene.clock.advance(live_module.HEALTH_PERIOD_REAL_S)
    scene.hear("health", scene.field.health())
    assert list(scene.next_for(seq)[1])[-1] == "health"


class FakeSocket:
    """A viewer whose connection can stall."""

    def __init__(self, asked: dict[str, str] | None = None) -> None:
        self.query_params = asked or {}
        self.sent: list[dict[str, Any]] = []
        self.closed: tuple[int, str] | None = None
        self.flowing = asyncio.Event()
        self.flowing.set()
        self.arrived = asyncio.Event()
        self.says: asyncio.Queue[dict[str, Any]] = asyncio.Queue()

    async def accept(self) -> None: ...

    async def receive(self) -> dict[str, Any]:
        return await self.says.get()

    async def send_text(self, text: str) -> None:
        await self._send(text)

    async def send_bytes(self, packed: bytes) -> None:
        await self._send(packed)

    async def _send(self, message: str | bytes) -> None:
        await self.flowing.wait()
        self.sent.append(read(message))
        self.arrived.set()

    async def close(self, code: int, reason: str) -> None:
        self.closed = code, reason


async def _settled(socket: FakeSocket, count: int) -> None:
    while len(socket.sent) < count:
        socket.arrived.clear()
        await socket.arrived.wait()


async def test_a_viewer_that_stalls_holds_up_nobody_and_then_gets_the_newest(scene: Scene) -> None:
    slow, quick = FakeSocket(), FakeSocket()
    serving = [asyncio.create_task(scene.live.serve(socket)) for socket in (slow, quick)]  # type: ignore[arg-type]
    await _settled(slow, 1)
    await _settled(quick, 1)
    assert scene.live.viewers == 2
    slow.flowing.clear()
    for number in range(2, 12):
        scene.beat([POINT])
        await _settled(quick, number)
    assert [told["kind"] for told in quick.sent] == ["snapshot"] + ["delta"] * 10
    assert len(slow.sent) == 1
    slow.flowing.set()
    await _settled(slow, 3)
    assert [told["kind"] for told in slow.sent] == ["snapshot", "delta", "delta"]
    assert [told["prev"] for told in slow.sent[1:]] == [slow.sent[0]["seq"], slow.sent[1]["seq"]]
    assert slow.sent[-1]["seq"] == quick.sent[-1]["seq"]
    for socket in (slow, quick):
        socket.says.put_nowait({"type": "websocket.disconnect"})
    await asyncio.gather(*serving)
    assert scene.live.viewers == 0


async def test_a_viewer_that_comes_back_is_told_what_it_missed_and_one_from_another_run_everything(
    scene: Scene,
) -> None:
    seq, _ = scene.next_for(-1)
    for _ in range(3):
        scene.beat([POINT])
    kinds = []
    for run in (scene.live.run_id, "of another start"):
        socket = FakeSocket({"run": run, "seq": str(seq)})
        serving = asyncio.create_task(scene.live.serve(socket))  # type: ignore[arg-type]
        await _settled(socket, 1)
        socket.says.put_nowait({"type": "websocket.disconnect"})
        await serving
        kinds.append(socket.sent[0]["kind"])
    assert kinds == ["delta", "snapshot"]


async def test_a_viewer_that_takes_nothing_for_too_long_is_let_go(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live_module, "SEND_REAL_S_MAX", 0.01)
    socket = FakeSocket()
    socket.flowing.clear()
    await scene.live.serve(socket)  # type: ignore[arg-type]
    assert scene.live.viewers == 0


async def test_a_viewer_that_speaks_is_closed_because_this_socket_takes_no_words(scene: Scene) -> None:
    socket = FakeSocket()
    socket.says.put_nowait({"type": "websocket.receive", "text": "CH-1.enable=0"})
    await scene.live.serve(socket)  # type: ignore[arg-type]
    assert socket.closed == (1008, "this socket only sends")


async def test_no_more_viewers_than_the_bound(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_module, "VIEWERS_MAX", 0)
    socket = FakeSocket()
    await scene.live.serve(socket)  # type: ignore[arg-type]
    assert socket.closed == (1013, "0 pages are open already")
    assert socket.sent == []


@pytest.mark.parametrize(
    ("unit", "si", "ip", "label"),
    [
        ("°C", 100.0, 212.0, "°F"),
        ("K", 10.0, 18.0, "°F"),
        ("L/s", 0.06309020, 1.0, "gpm"),
        ("kPa abs", 101.325, 14.69595, "psia"),
        ("kW", 3.516853, 1.0, "tons"),
    ],
)
def test_numbers_in_sentences_turn_by_printed_definitions(unit: str, si: float, ip: float, label: str) -> None:
    """NIST SP 811 (2008), appendix B, and the steam point of water, from memory."""
    factor, offset, shown = turns()[unit]
    assert si * factor + offset == pytest.approx(ip, rel=2e-7)
    assert shown == label
