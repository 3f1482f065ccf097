"""Start-up day measured: ``python tests/bench/startup.py`` (three minutes); ``--full`` holds the fast group for half an hour.

The whole demonstration runs as a person runs it: simulated devices, field process and pages. Beside it, in the same minutes, a bare loop that does nothing but wake up at the same pace says what this computer
does to anybody's punctuality.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from plantview.channel.client import ChannelClient
from plantview.channel.paths import socket_path
from plantview.cli import _simulated_addresses
from plantview.config import load_plant
from plantview.config.bundled import bundled_plants
from plantview.model.point import ModbusAddress
from plantview.startup import Event, Memory
from plantview.startup.memory import Wanted
from tests.bench.rows import Figure, heading
from tests.browser.seeing import chromium, seen
from tests.running import Running, running

FAST: Final = {"BC-2": 1.0, "CH-1-PANEL": 0.5, "CH-2-PANEL": 0.5, "CH-3-PANEL": 0.5}
"""Device -> the period that is asked for."""
OBJECTS, REGISTERS_END = 25, 109
"""So many objects, and of each panel the registers that lie together at its beginning."""
SHORT_S, FULL_S = 90, 1_800
TOKEN: Final = "t" * 43
EVENTS: Final = 50_000
LISTED: Final = 5_000
OLDER: Final = """async (shown) => {
  const begin = performance.now();
  document.querySelector('#event-older').click();
  while (document.querySelectorAll('#events-rows tr').length <= shown) await new Promise((go) => setTimeout(go, 1));
  document.body.offsetHeight;
  await new Promise((go) => requestAnimationFrame(go));
  return performance.now() - begin;
}"""
SCROLL: Final = """async () => {
  const box = document.querySelector('#events').closest('.table-box'), took = [], steps = 60;
  const place = box.scrollHeight > box.clientHeight + 10 ? box : document.scrollingElement, end = place.scrollHeight;
  for (let step = 1; step <= steps; step += 1) {
    const begin = performance.now();
    place.scrollTop = (end * step) / steps;
    await new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(go)));
    took.push(performance.now() - begin);
  }
  return took;
}"""
PAGE: Final = 200


def chosen() -> dict[str, tuple[list[str], float]]:
    """Return the points of the fast group by device, with the period each is meant for."""
    points = load_plant(bundled_plants()["larkfield"]).points.values()
    found = {}
    for device, period_s in FAST.items():
        mine = [point for point in points if point.device == device]
        near = [one for one in mine if not isinstance(one.address, ModbusAddress) or one.address.first < REGISTERS_END]
        found[device] = ([point.name for point in near][:OBJECTS], period_s)
    return found


def quicken(demo: Running, names: Sequence[str], act: str = "choose") -> dict[str, Any]:
    """Ask for the fast group as a page does."""
    headers = {"Content-Type": "application/json", "Origin": demo.url}
    headers |= {"Cookie": f"_csrf_token={TOKEN}", "X-CSRFToken": TOKEN}
    body = json.dumps({"act": act, "points": list(names), "minutes": 30, "person": "AB"}).encode()
    asked = urllib.request.Request(f"{demo.url}/api/v1/startup/fast", body, headers)
    with urllib.request.urlopen(asked, timeout=15) as answer:
        found: dict[str, Any] = json.load(answer)["fast"]
    return found


async def punctual(period_s: float, seconds: float) -> list[float]:
    """Return the intervals [s] of a loop that only wakes up."""
    loop = asyncio.get_running_loop()
    begin, woken = loop.time(), list[float]()
    for turn in range(1, round(seconds / period_s) + 1):
        await asyncio.sleep(max(0.0, begin + turn * period_s - loop.time()))
        woken.append(loop.time())
    return [after - before for before, after in pairwise(woken)]


class Collected:
    """The times at which points were read, gathered every few minutes: the memory of a fast point is short."""

    def __init__(self, client: ChannelClient, names: Sequence[str]) -> None:
        self._client, self.at_ms = client, {name: set[int]() for name in names}

    async def gather(self) -> None:
        """Take what was read within the last minute."""
        from_ms = time.time_ns() // 1_000_000 - 60_000
        for name, times in self.at_ms.items():
            times.update((await self._client.ask("range", {"point": name, "from_ms": from_ms}, 15.0))["at_ms"])


async def held(demo: Running, data: Path, seconds: int) -> Iterator[Figure]:
    """Hold the fast group for so long; return the rows."""
    groups = chosen()
    names = [name for some, _ in groups.values() for name in some]
    got = quicken(demo, names)
    client = ChannelClient(socket_path(data), lambda _kind, _body: None)
    listening = asyncio.create_task(client.run())
    await asyncio.sleep(5)
    begin_ms = time.time_ns() // 1_000_000
    collected = Collected(client, names)
    bare = {period_s: asyncio.create_task(punctual(period_s, seconds)) for period_s in (0.5, 1.0)}
    for _ in range(seconds // 30):
        await asyncio.sleep(30)
        await collected.gather()
    end_ms = begin_ms + seconds * 1_000
    idle = {period_s: await task for period_s, task in bare.items()}
    health = await client.ask("health", {}, 15.0)
    listening.cancel()
    await asyncio.gather(listening, return_exceptions=True)
    return rows_of(groups, got, collected, (begin_ms, end_ms), idle, health)


def rows_of(
    groups: dict[str, tuple[list[str], float]],
    got: dict[str, Any],
    collected: Collected,
    span: tuple[int, int],
    idle: dict[float, list[float]],
    health: dict[str, Any],
) -> Iterator[Figure]:
    """Yield rows: per device its period, cycles missed and jitter; then whether others were slowed down."""
    load = f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors"
    for device, (names, period_s) in groups.items():
        periods = {got["points"].get(name) for name in names}
        asked_for = f"{len(names)} points, {device}"
        yield Figure(
            f"fast group: period of {asked_for}",
            ", ".join(f"{each} s" for each in periods),
            got["refused"].get(device, "nothing refused")[:46],
            f"{period_s:g} s",
            periods == {period_s},
        )
        times = [np.array(sorted(at for at in collected.at_ms[name] if span[0] <= at < span[1])) for name in names]
        expected = (span[1] - span[0]) / 1_000 / period_s
        missed = max(0.0, 1.0 - min(each.size for each in times) / expected)
        yield Figure(
            f"  missed cycles, {asked_for}",
            f"{missed:.2%}",
            f"{expected:.0f} due in {(span[1] - span[0]) / 60_000:.1f} min, {load}"[:46],
            "<= 2 %",
            missed <= 0.02,
        )
        off_ms = np.abs(np.concatenate([np.diff(each) for each in times]) - 1_000 * period_s)
        bare_ms = 1_000 * statistics.quantiles([abs(gap - period_s) for gap in idle[period_s]], n=20)[18]
        p95 = float(np.percentile(off_ms, 95))
        yield Figure(
            f"  interval jitter p95, {asked_for}",
            f"{p95:.0f} ms",
            f"bare loop {bare_ms:.0f} ms",
            "<= 150 ms",
            p95 <= 150,
        )
    skipped = sum(row["skipped"] for row in health["devices"])
    yield Figure("  usual cycles of all devices skipped meanwhile", str(skipped), load, "0", skipped == 0)


def first_value(folder: Path) -> Iterator[Figure]:
    """Yield how long it takes from a pasted point list to the first live value, by three commands and no edit."""
    plant_dir = Path(shutil.copytree(bundled_plants()["orchard"], folder / "my-plant"))
    places = _simulated_addresses(load_plant(plant_dir), {})
    moved = [word for old, new in places.items() for word in ("--address", f"{old}={new}")]
    with running(["simulate", str(plant_dir), *moved], folder) as devices:
        devices.wait_line("data and logs")
        begin = time.monotonic()
        for words in (["check", str(plant_dir)], ["preflight", str(plant_dir), *moved]):
            told = subprocess.run(
                [sys.executable, "-m", "plantview", *words], cwd=folder, capture_output=True, text=True, check=False
            )
            name = f"pasted list: plantview {words[0]}"
            last = told.stdout.strip().splitlines()[-1][-40:]
            yield Figure(name, f"exit {told.returncode}", last, "exit 0", told.returncode == 0)
        with running(["run", str(plant_dir), *moved], folder) as watched:
            watched.wait_line("open http")
            watched.until(lambda: watched.values()["CH-1.power"]["quality"] == "GOOD", 60)
            took_s = time.monotonic() - begin
    yield Figure(
        "  until plantview run shows a live value", f"{took_s:.0f} s", "the commands alone", "<= 600 s", took_s <= 600
    )


def long_list() -> Iterator[Figure]:
    """Yield what a page of a full sequence of events takes."""
    with tempfile.TemporaryDirectory() as folder:
        memory = Memory(Path(folder))
        for start in range(0, EVENTS, 5_000):
            memory.note(Event(start + step, 5_000, 0, "scan", "status", f"P-{step % 40}") for step in range(5_000))
            memory.flush()
        took, before = list[float](), None
        while len(took) < 60:
            begin = time.perf_counter()
            page = memory.events(Wanted(limit=PAGE, before=before))
            took.append(1_000 * (time.perf_counter() - begin))
            before = (page[-1]["at_ms"], page[-1]["seq"])
        filtered = list[float]()
        for number in range(40):
            begin = time.perf_counter()
            memory.events(Wanted(equipment=(f"P-{number}",), limit=PAGE))
            filtered.append(1_000 * (time.perf_counter() - begin))
        memory.close()
    for name, costs in (("a page", took), ("a page of one machine", filtered)):
        worst = max(costs)
        yield Figure(
            f"{EVENTS:,} events: {name} of {PAGE} rows",
            f"{worst:.1f} ms",
            f"worst of {len(costs)}",
            "<= 100 ms",
            worst <= 100,
        )


def noted(data: Path, count: int) -> None:
    """Leave so many events in a data folder, as an earlier day would."""
    data.mkdir(parents=True, exist_ok=True)
    memory, begin_ms = Memory(data), time.time_ns() // 1_000_000 - 86_400_000
    memory.note(
        Event(begin_ms + 10_000 * step, 5_000, 0, "scan", "status", f"P-{step % 40}", after="RUN", before="OFF")
        for step in range(count)
    )
    memory.close()


def scrolled(demo: Running) -> Iterator[Figure]:
    """Yield what it takes to load 5,000 events into the page, and to scroll through them."""
    pages, frames = list[float](), list[float]()
    with chromium() as browser, seen(browser, f"{demo.url}/startup") as watched:
        page = watched.page
        page.wait_for_selector("#events-rows tr:nth-child(200)")
        while len(pages) < LISTED // PAGE:
            shown = page.locator("#events-rows tr").count()
            pages.append(page.evaluate(OLDER, shown))
        rows = page.locator("#events-rows tr").count()
        frames = page.evaluate(SCROLL)
        page.wait_for_timeout(1_500)  # the list is asked for once a second and has new lines meanwhile
        kept = page.locator("#events-rows tr").count()
    late = statistics.quantiles(frames, n=20)[18]
    mid, worst = statistics.median(pages), max(pages)
    yield Figure(
        f"{rows:,} events on the page: {PAGE} more of them",
        f"{mid:.0f} ms",
        f"worst {worst:.0f} ms of {len(pages)}",
        "<= 100 ms",
        mid <= 100,
    )
    yield Figure("  a screen further down, p95", f"{late:.0f} ms", f"{len(frames)} steps", "<= 100 ms", late <= 100)
    yield Figure("  rows lost while new ones came", str(max(0, rows - kept)), f"{kept:,} rows", "0", kept >= rows)


def main() -> None:
    """Print the rows."""
    print(heading())
    for figure in long_list():
        print(figure, flush=True)
    with tempfile.TemporaryDirectory() as folder:
        for figure in first_value(Path(folder)):
            print(figure, flush=True)
        data = Path(folder) / "data"
        noted(data, LISTED + PAGE)
        with running(["demo", "--plant", "larkfield", "--data", str(data)], Path(folder)) as demo:
            demo.wait_line("open http")
            demo.until(lambda: demo.values()["PLANT.kw_per_ton"]["quality"] == "GOOD", 60)
            for figure in scrolled(demo):
                print(figure, flush=True)
            for figure in asyncio.run(held(demo, data, FULL_S if "--full" in sys.argv else SHORT_S)):
                print(figure, flush=True)


if __name__ == "__main__":
    main()
