"""A changed plant description is taken over whole, or the old one goes on; with processes that only say they are ready."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from plantview.cli_reload import Renewing
from plantview.config.bundled import bundled
from plantview.config.in_use import BYTES_MAX, copy_in_use, forget_older, same
from plantview.config.order import Order
from plantview.errors import ConfigError, NotRunning, Problem, StartRefused
from plantview.keeper import ask_reload, keeping
from plantview.supervisor import MODULES, Renewal, Supervisor

WITHIN_S = 20


class Bench:
    """A supervisor of two stub processes; each reload uses the next of the words that were laid out."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.told: asyncio.Queue[Sequence[str]] = asyncio.Queue()
        self.said: list[str] = []
        self.next: Callable[[], Sequence[Order]] = lambda: ()
        renewal = Renewal(self._next, self.told.put_nowait)
        self.supervisor = Supervisor(self.orders("first"), self.said.append, renewal)

    def _next(self) -> Sequence[Order]:
        return self.next()

    def orders(self, word: str) -> list[Order]:
        plant = self.folder / word
        plant.mkdir(exist_ok=True)
        (plant / "word").write_text(word)
        return [Order(role, str(plant), str(self.folder)) for role in ("field", "web")]

    def starts(self) -> list[str]:
        return (self.folder / "starts").read_text().splitlines()

    async def reload(self, act: Callable[[], Sequence[Order]]) -> Sequence[str]:
        self.next = act
        os.kill(os.getpid(), signal.SIGHUP)
        return await asyncio.wait_for(self.told.get(), WITHIN_S)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    for role in ("field", "web"):
        monkeypatch.setitem(MODULES, role, "tests.unit.stub_process")
    before = {number: signal.signal(number, signal.SIG_IGN) for number in (signal.SIGHUP, signal.SIGTERM)}
    yield Bench(tmp_path)
    for number, act in before.items():
        signal.signal(number, act)


async def _running(bench: Bench, act: Callable[[], object]) -> None:
    ready = asyncio.Event()
    running = asyncio.create_task(bench.supervisor.run(ready.set))
    try:
        await asyncio.wait_for(ready.wait(), WITHIN_S)
        await act()  # type: ignore[misc]
    finally:
        # where it has ended already nobody hears the signal, and it would end the tests
        if not running.done():
            os.kill(os.getpid(), signal.SIGTERM)
        await asyncio.wait_for(running, WITHIN_S)


async def test_processes_start_again_one_after_the_other_with_the_new_description(bench: Bench) -> None:
    async def act() -> None:
        assert await bench.reload(lambda: bench.orders("second")) == []
        assert bench.starts() == ["field first", "web first", "field second", "web second"]

    await _running(bench, act)
    assert bench.said == ["the plant description is taken over"]


async def test_a_mistake_is_said_and_nothing_is_started_again(bench: Bench) -> None:
    def wrong() -> Sequence[Order]:
        raise ConfigError("plant.toml", [Problem("plant.toml", 3, "units", "no such unit", "write degF")] * 2)

    async def act() -> None:
        problems = await bench.reload(wrong)
        assert list(problems) == ["plant.toml:3: units: no such unit -> write degF"] * 2
        assert await bench.reload(lambda: ()) == [], "nothing has changed"
        assert bench.starts() == ["field first", "web first"]

    await _running(bench, act)


async def test_what_cannot_be_started_is_taken_back(bench: Bench) -> None:
    async def act() -> None:
        assert await bench.reload(lambda: bench.orders("refuse")) == ["the port is taken"]
        assert bench.starts()[:3] == ["field first", "web first", "field refuse"]
        assert bench.starts()[-1] == "field first"
        assert await bench.reload(lambda: bench.orders("third")) == []
        assert bench.starts()[-2:] == ["field third", "web third"]

    await _running(bench, act)


def _plant(folder: Path) -> Path:
    made = folder / "my-plant"
    made.mkdir()
    for path in (bundled("plants") / "orchard").iterdir():
        (made / path.name).write_bytes(path.read_bytes())
    return made


def test_the_running_plant_has_a_copy_that_a_half_finished_edit_does_not_reach(tmp_path: Path) -> None:
    folder, data = _plant(tmp_path), tmp_path / "data"
    copy = copy_in_use(folder, data)
    order = Order("field", str(copy), str(data))
    renewing = Renewing(folder, [order], lambda _plant, known: known)
    assert renewing.orders() == ()
    text = (folder / "plant.toml").read_text()
    (folder / "plant.toml").write_text(text + "\n[[alarms]]\npoint = 'NO.such_point'\n")
    with pytest.raises(ConfigError, match=str(folder / "plant.toml")):
        renewing.orders()
    assert order.load().name
    (folder / "plant.toml").write_text(text.replace("name = ", "name = 'Second ' # ", 1))
    (refused,) = renewing.orders()
    renewing.settled(["the port is taken"])
    assert not Path(refused.plant).exists()
    (renewed,) = renewing.orders()
    renewing.settled([])
    assert renewed.load().name == "Second "
    assert Path(renewed.plant).name == "my-plant"
    assert order.load().name != "Second ", "the one before is there to fall back on"


def test_only_two_copies_are_kept_and_a_folder_that_is_no_plants_own_is_refused(tmp_path: Path) -> None:
    folder, data = _plant(tmp_path), tmp_path / "data"
    copies = [copy_in_use(folder, data) for _ in range(4)]
    forget_older(copies[-1])
    assert [copy.exists() for copy in copies] == [False, False, True, True]
    assert same(copies[-1], folder)
    with (folder / "backup.img").open("wb") as large:
        large.truncate(BYTES_MAX + 1)
    with pytest.raises(StartRefused, match="keep only the plant's files"):
        copy_in_use(folder, data)


def test_one_process_keeps_a_data_folder_and_nobody_signals_one_that_is_gone(tmp_path: Path) -> None:
    with pytest.raises(NotRunning, match="next start"):
        ask_reload(tmp_path)
    with keeping(tmp_path), pytest.raises(StartRefused, match=str(os.getpid())), keeping(tmp_path):
        pass
    with pytest.raises(NotRunning, match="next start"):
        ask_reload(tmp_path)


def test_a_terminal_hears_what_came_of_its_request(tmp_path: Path) -> None:
    before = signal.getsignal(signal.SIGHUP)
    with keeping(tmp_path) as keeper:
        signal.signal(signal.SIGHUP, lambda _number, _frame: keeper.reloaded(["plant.toml: no"]))
        assert ask_reload(tmp_path) == ["plant.toml: no"]
    signal.signal(signal.SIGHUP, before)
