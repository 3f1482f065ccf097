"""Both ends of the channel on a real Unix socket."""

from __future__ import annotations

import asyncio
import stat
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from plantview.channel import client as client_module
from plantview.channel import server as server_module
from plantview.channel.client import LOST, ChannelClient, ask_once
from plantview.channel.messages import AskRefused, decode
from plantview.channel.paths import private_folder, socket_path
from plantview.channel.server import ChannelServer
from plantview.clock import ManualClock
from plantview.errors import ChannelError, IllegalTransition, NotRunning, StartRefused

Body = dict[str, Any]


class Heard:
    """Collects what a client hands on and lets a test wait for it."""

    def __init__(self) -> None:
        self.messages: list[tuple[str, Body]] = []
        self._more = asyncio.Event()

    def __call__(self, kind: str, body: Body) -> None:
        self.messages.append((kind, body))
        self._more.set()

    async def until(self, done: Callable[[list[tuple[str, Body]]], bool]) -> None:
        while not done(self.messages):
            self._more.clear()
            await self._more.wait()

    def kinds(self) -> list[str]:
        return [kind for kind, _ in self.messages]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    return folder / "s.sock"


@pytest.fixture
async def server(path: Path) -> AsyncIterator[ChannelServer]:
    served = ChannelServer(path)
    served.full_frame = lambda: {"seq": 9, "full": True}
    await served.start()
    yield served
    await served.stop()


@asynccontextmanager
async def connected(path: Path) -> AsyncIterator[tuple[ChannelClient, Heard]]:
    heard = Heard()
    client = ChannelClient(path, heard)
    running = asyncio.create_task(client.run())
    try:
        yield client, heard
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


def greet(server: ChannelServer) -> None:
    for kind in ("hello", "alarms", "health"):
        server.publish(kind, {"about": kind})


async def test_the_socket_is_for_its_owner_alone(server: ChannelServer, path: Path) -> None:
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert server.clients == 0


async def test_a_new_subscriber_gets_everything_at_once(server: ChannelServer, path: Path) -> None:
    greet(server)
    async with connected(path) as (_, heard):
        await heard.until(lambda messages: len(messages) >= 4)
        assert heard.kinds() == ["hello", "frame", "alarms", "health"]
        assert heard.messages[1][1] == {"seq": 9, "full": True}


async def test_one_published_message_reaches_every_subscriber(server: ChannelServer, path: Path) -> None:
    greet(server)
    async with connected(path) as (_, one), connected(path) as (_, two):
        await one.until(lambda messages: len(messages) >= 4)
        await two.until(lambda messages: len(messages) >= 4)
        server.publish("frame", {"seq": 10, "full": False})
        for heard in (one, two):
            await heard.until(lambda messages: messages[-1] == ("frame", {"seq": 10, "full": False}))
        assert server.clients == 2


async def test_a_hello_begins_anew_with_a_full_frame(server: ChannelServer, path: Path) -> None:
    greet(server)
    async with connected(path) as (_, heard):
        await heard.until(lambda messages: len(messages) >= 4)
        server.publish("hello", {"about": "again"})
        await heard.until(lambda messages: len(messages) >= 8)
        assert heard.kinds()[4:] == ["hello", "frame", "alarms", "health"]


async def test_a_question_is_answered_and_a_refusal_keeps_its_words(server: ChannelServer, path: Path) -> None:
    async def twice(body: Body) -> Body:
        return {"n": body["n"] * 2}

    async def refuse(_body: Body) -> Body:
        raise IllegalTransition("acknowledge is not possible: it is acknowledged already")

    server.register("twice", twice)
    server.register("refuse", refuse)
    greet(server)
    async with connected(path) as (client, heard):
        await heard.until(lambda messages: len(messages) >= 4)
        answers = await asyncio.gather(*(client.ask("twice", {"n": n}) for n in range(20)))
        assert [answer["n"] for answer in answers] == [2 * n for n in range(20)]
        with pytest.raises(AskRefused, match="acknowledged already") as refused:
            await client.ask("refuse", {})
        assert refused.value.code == "illegal-transition"
        with pytest.raises(AskRefused, match="does not answer 'nonsense'"):
            await client.ask("nonsense", {})


async def test_a_question_that_breaks_its_answerer_is_refused_and_the_connection_stays(
    server: ChannelServer, path: Path
) -> None:
    async def broken(body: Body) -> Body:
        return {"x": body["missing"]}

    server.register("broken", broken)
    greet(server)
    async with connected(path) as (client, heard):
        await heard.until(lambda messages: len(messages) >= 4)
        with pytest.raises(AskRefused, match="could not be answered") as refused:
            await client.ask("broken", {})
        assert refused.value.code == "failed"
        assert client.connected


async def test_a_question_without_an_answer_ends_at_its_deadline_and_leaves_nothing_behind(
    server: ChannelServer, path: Path
) -> None:
    never = asyncio.Event()

    async def silent(_body: Body) -> Body:
        await never.wait()
        return {}

    server.register("silent", silent)
    greet(server)
    async with connected(path) as (client, heard):
        await heard.until(lambda messages: len(messages) >= 4)
        with pytest.raises(ChannelError, match=r"did not answer 'silent' within 0\.02 s"):
            await client.ask("silent", {}, within_s=0.02)
        asking = asyncio.create_task(client.ask("silent", {}))
        await asyncio.sleep(0)
        asking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asking
        assert client._waiting == {}


async def test_a_client_comes_back_by_itself_and_says_that_it_was_gone(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client_module, "BACK_OFF_REAL_S", (0.01,))
    first = ChannelServer(path)
    await first.start()
    greet(first)
    async with connected(path) as (client, heard):
        await heard.until(lambda messages: len(messages) >= 3)
        await first.stop()
        await heard.until(lambda messages: messages[-1][0] == LOST)
        with pytest.raises(NotRunning):
            await client.ask("frame", {})
        second = ChannelServer(path)
        await second.start()
        greet(second)
        await heard.until(lambda messages: [kind for kind, _ in messages].count("hello") == 2)
        assert client.connected
        await second.stop()


async def test_a_question_under_way_when_the_field_goes_is_an_error_not_a_wait(path: Path) -> None:
    asked = asyncio.Event()

    async def silent(_body: Body) -> Body:
        asked.set()
        await asyncio.Event().wait()
        return {}

    server = ChannelServer(path)
    server.register("silent", silent)
    await server.start()
    greet(server)
    async with connected(path) as (client, heard):
        await heard.until(lambda messages: len(messages) >= 3)
        asking = asyncio.create_task(client.ask("silent", {}, within_s=10))
        await asked.wait()
        await server.stop()
        with pytest.raises(ChannelError, match="went away before it answered"):
            await asking


@pytest.mark.parametrize(
    "line",
    [b"garbage\n", b'{"kind":"frame"}\n', b'{"kind":"ask","id":"x","what":"a","body":{}}\n', b'{"kind":"ask"}\n'],
)
async def test_garbage_closes_that_connection_only(server: ChannelServer, path: Path, line: bytes) -> None:
    greet(server)
    async with connected(path) as (client, heard):
        await heard.until(lambda messages: len(messages) >= 4)
        reader, writer = await asyncio.open_unix_connection(path)
        writer.write(line)
        while await reader.readline():
            pass
        writer.close()
        server.publish("frame", {"seq": 11})
        await heard.until(lambda messages: messages[-1] == ("frame", {"seq": 11}))
        assert client.connected


async def test_a_garbage_line_from_the_field_makes_the_client_start_anew(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client_module, "BACK_OFF_REAL_S", (0.01,))
    writers: list[asyncio.StreamWriter] = []

    async def serve(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        writer.write(b'{"kind":"hello"}\n' + (b"not json\n" if len(writers) == 1 else b""))

    listening = await asyncio.start_unix_server(serve, path)
    async with connected(path) as (_, heard):
        await heard.until(lambda messages: len(messages) >= 3)
        assert heard.kinds() == ["hello", LOST, "hello"]
    listening.close()
    for writer in writers:
        writer.close()


async def test_a_line_above_the_bound_from_a_client_ends_its_connection(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "LINE_BYTES_MAX", 1_000)
    server = ChannelServer(path)
    await server.start()
    reader, writer = await asyncio.open_unix_connection(path)
    writer.write(b"x" * 5_000)
    assert await reader.read() == b""
    writer.close()
    await server.stop()


async def test_no_more_clients_than_the_bound(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_module, "CLIENTS_MAX", 1)
    server = ChannelServer(path)
    await server.start()
    greet(server)
    first, writer = await asyncio.open_unix_connection(path)
    assert decode(await first.readline()).kind == "hello"
    second, second_writer = await asyncio.open_unix_connection(path)
    assert await second.read() == b""
    for each in (writer, second_writer):
        each.close()
    await server.stop()


async def test_a_subscriber_that_does_not_read_gets_everything_anew_when_it_reads_again(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "BEHIND_BYTES", 10_000)
    server = ChannelServer(path)
    server.full_frame = lambda: {"seq": 99, "full": True}
    await server.start()
    greet(server)
    reader, writer = await asyncio.open_unix_connection(path, limit=2**20)
    for _ in range(4):
        await reader.readline()
    reader._transport.pause_reading()  # type: ignore[attr-defined]
    sent = 0
    while sent < 200:
        sent += 1
        server.publish("frame", {"seq": sent, "full": False, "filler": "x" * 20_000})
    reader._transport.resume_reading()  # type: ignore[attr-defined]
    frames: list[Body] = []
    while not frames or not frames[-1].get("full"):
        waiting = asyncio.create_task(reader.readline())
        while not waiting.done():
            await asyncio.sleep(0)
            server.publish("alarms", {"about": "alarms"})
        message = decode(await waiting)
        if message.kind == "frame":
            frames.append(message.body)
    assert frames[-1]["seq"] == 99
    assert len(frames) < 200
    writer.close()
    await server.stop()


async def test_a_subscriber_that_never_reads_is_disconnected_and_publishing_never_waits(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "BEHIND_BYTES", 10_000)
    clock = ManualClock()
    server = ChannelServer(path, clock=clock)
    await server.start()
    greet(server)
    reader, writer = await asyncio.open_unix_connection(path, limit=2**20)
    await reader.readline()
    reader._transport.pause_reading()  # type: ignore[attr-defined]
    for _ in range(100):
        server.publish("frame", {"filler": "x" * 20_000})
    assert server.clients == 1
    await clock.advance(server_module.BEHIND_REAL_S_MAX + 1)
    server.publish("frame", {})
    assert server.clients == 0
    writer.close()
    await server.stop()


async def test_a_second_field_process_on_one_plant_is_refused(server: ChannelServer, path: Path) -> None:
    with pytest.raises(StartRefused, match="another field process serves this plant"):
        await ChannelServer(path).start()
    assert server.clients <= 1


async def test_a_socket_left_behind_by_a_killed_process_is_no_hindrance(path: Path) -> None:
    left = await asyncio.start_unix_server(lambda _reader, _writer: None, path)
    left.close()
    await left.wait_closed()
    path.touch()
    server = ChannelServer(path)
    await server.start()
    await server.stop()
    assert not path.exists()


async def test_asking_once_needs_a_running_field(path: Path) -> None:
    with pytest.raises(NotRunning, match="no field process watches this plant"):
        await ask_once(path, "frame", {}, 1.0)


async def test_asking_once_brings_the_hello_and_the_answer(server: ChannelServer, path: Path) -> None:
    async def frame(_body: Body) -> Body:
        return {"seq": 3}

    async def refuse(_body: Body) -> Body:
        raise IllegalTransition("no")

    server.register("frame", frame)
    server.register("refuse", refuse)
    greet(server)
    assert await ask_once(path, "frame", {}, 2.0) == ({"about": "hello"}, {"seq": 3})
    with pytest.raises(AskRefused, match="no"):
        await ask_once(path, "refuse", {}, 2.0)


async def test_asking_once_ends_at_its_deadline(server: ChannelServer, path: Path) -> None:
    async def silent(_body: Body) -> Body:
        await asyncio.Event().wait()
        return {}

    server.register("silent", silent)
    with pytest.raises(ChannelError, match=r"did not answer 'silent' within 0\.05 s"):
        await ask_once(path, "silent", {}, 0.05)


async def test_a_client_does_not_trust_a_folder_that_others_may_write(path: Path) -> None:
    path.parent.chmod(0o777)
    with pytest.raises(ChannelError, match="is open to others"):
        await ask_once(path, "frame", {}, 1.0)


def test_each_data_folder_has_its_own_short_socket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    one, two = socket_path(tmp_path / "a"), socket_path(tmp_path / "b")
    assert one.parent == two.parent
    assert one != two
    assert socket_path(tmp_path / "x" / ".." / "a") == one
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert len(str(socket_path(Path("/a" * 200)))) < 108


def test_a_runtime_folder_open_to_others_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    private_folder(folder)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    private_folder(folder)
    folder.chmod(0o755)
    with pytest.raises(StartRefused, match="is open to others"):
        private_folder(folder)
    file = tmp_path / "file"
    link = tmp_path / "link"
    file.mkdir()
    link.symlink_to(file)
    with pytest.raises(StartRefused, match="is not a folder"):
        private_folder(link)
