"""One running plant with its devices, visited: latencies, CPU against two other ways, weights, a kill, a lost device."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import statistics
import sys
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import httpx
from playwright.async_api import Page

from plantview.config import load_plant
from plantview.model.plant import Plant
from tests.bench.web_fan import LENGTH_BYTES
from tests.bench.web_page import Weight, changes, chromium, opened, watch, weight
from tests.bench.web_plant import LOOP, drawn
from tests.bench.web_redraw import INPUT, OUTPUT
from tests.bench.web_viewers import Heard, beside, cpu_s, viewers
from tests.running import Running, live_demo, running

HERE: Final = Path(__file__).parent
VIEWERS: Final = 20
REDRAWS: Final = 8
SETTLE_S: Final = 3.0


@dataclass
class Found:
    """What was measured; CPU in seconds per second, of the redrawing per drawing."""

    points: int = 0
    values: int = 0
    """Values on the drawing that is looked at."""
    p95_ms: float = 0.0
    changes: int = 0
    web_cpu_s: float = 0.0
    viewer_bytes_s: float = 0.0
    fan_cpu_s: float = 0.0
    redraw_cpu_s: float = 0.0
    back_s: float = 0.0
    stale_s: float = 0.0
    demo_values: int = 0
    """Values of the plant whose pages are weighed."""
    weights: dict[str, Weight] = field(default_factory=dict)


class Devices:
    """The process that serves the devices, and the changes that it told."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process
        self.told: dict[tuple[str, str], float] = {}
        """By point and text: wall time of the last change to it; by device and "stopped" too."""

    async def listen(self) -> None:
        """Take in what it says until it ends."""
        assert self._process.stdout is not None
        async for line in self._process.stdout:
            row = json.loads(line)
            self.told[row["point"], row["text"]] = row["at_ms"]

    def stop(self, device: str) -> None:
        """Switch a device off."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"stop {device}\n".encode())


@asynccontextmanager
async def served(folder: Path, named: Sequence[str]) -> AsyncIterator[Devices]:
    """Serve the devices of a plant."""
    async with beside(sys.executable, str(HERE / "web_devices.py"), str(folder), ",".join(named)) as process:
        assert process.stdout is not None
        if (await process.stdout.readline()).strip() != b"ready":
            raise SystemExit("the devices did not start")
        devices = Devices(process)
        listening = asyncio.create_task(devices.listen())
        yield devices
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)


async def visit(folder: Path, *, watch_s: float, steady_s: float) -> Found:
    """Measure everything about one running plant."""
    found = Found()
    await _weigh(found, folder, steady_s)
    plant = load_plant(folder / "plant")
    shown = drawn(plant)
    by_device = _one_of_each(plant, shown)
    async with served(folder / "plant", list(by_device.values())) as devices:
        with running(["run", str(folder / "plant")], folder) as run:
            await asyncio.to_thread(run.wait_line, "open http://")
            await asyncio.to_thread(
                run.until,
                lambda: all(row["quality"] == "GOOD" for row in run.values().values() if row["point"] in plant.points),
                60.0,
            )
            found.points, found.values = len(plant.points), len(shown)
            async with chromium() as browser:
                page = await opened(browser, run.url, f"/plant/loop?id={LOOP}")
                recorded = await _latency(found, run, devices, page, list(by_device.values()), watch_s)
                await _fan_out(found, recorded, watch_s)
                await _kill(found, run, page)
                await _lose(found, devices, page, *next(iter(by_device.items())))
    await _redraw(found, folder / "plant")
    return found


def _one_of_each(plant: Plant, shown: Sequence[str]) -> dict[str, str]:
    """Return one temperature of the drawing for every device."""
    temperatures = [plant.points[name] for name in shown if name in plant.points and name.endswith("_temp")]
    return {point.device: point.name for point in temperatures}


async def _weigh(found: Found, folder: Path, steady_s: float) -> None:
    """Weigh the pages of the demo plant."""
    (folder / "demo").mkdir()
    with live_demo(folder / "demo", within_s=90.0) as demo:
        found.demo_values = len(demo.values())
        for path in ("/", "/wall", "/m"):
            found.weights[path] = await weight(demo.port, path, steady_s if path == "/m" else 0.0)


async def _latency(found: Found, run: Running, devices: Devices, page: Page, named: list[str], watch_s: float) -> Heard:
    """Hold all viewers, and watch the named values on the one screen."""
    web = run.children()["web"]
    async with viewers(f"ws://127.0.0.1:{run.port}/live", VIEWERS - 1) as heard:
        await asyncio.sleep(SETTLE_S)
        await watch(page, named)
        heard.forget()
        used, begin_s = cpu_s(web), time.monotonic()
        await asyncio.sleep(watch_s)
        took_s = time.monotonic() - begin_s
        found.web_cpu_s = (cpu_s(web) - used) / took_s
        found.viewer_bytes_s = heard.text_bytes / (VIEWERS - 1) / took_s
    seen = [
        at_ms - devices.told[name, text] for name, text, at_ms in await changes(page) if (name, text) in devices.told
    ]
    found.changes, found.p95_ms = len(seen), statistics.quantiles(seen, n=20)[-1]
    return heard


async def _fan_out(found: Found, heard: Heard, watch_s: float) -> None:
    """Send the very messages again, at the same pace, to as many viewers, without anything around it."""
    async with beside(sys.executable, str(HERE / "web_fan.py")) as fan:
        assert fan.stdout is not None
        assert fan.stdin is not None
        port = int(await fan.stdout.readline())
        async with viewers(f"ws://127.0.0.1:{port}/live", VIEWERS):
            used, begin_s = cpu_s(fan.pid), time.monotonic()
            first_s = heard.first[0][0]
            for at_s, message in heard.first:
                await asyncio.sleep(max(0.0, begin_s + at_s - first_s - time.monotonic()))
                sent = message if isinstance(message, bytes) else message.encode()
                fan.stdin.write(len(sent).to_bytes(LENGTH_BYTES) + sent)
            await asyncio.sleep(max(0.5, begin_s + watch_s - time.monotonic()))
            found.fan_cpu_s = (cpu_s(fan.pid) - used) / (time.monotonic() - begin_s)


async def _kill(found: Found, run: Running, page: Page) -> None:
    before = await page.evaluate("() => window.plantview.state.run")
    os.kill(run.children()["web"], signal.SIGKILL)
    begin_s = time.monotonic()
    await page.wait_for_function(
        "before => window.plantview.state.run !== before && window.plantview.state.link.ok", arg=before
    )
    await page.wait_for_function("() => !document.body.classList.contains('stale-page')")
    found.back_s = time.monotonic() - begin_s


async def _lose(found: Found, devices: Devices, page: Page, device: str, name: str) -> None:
    stale = f"() => document.querySelector('.value[data-signal=\"{name}\"]').classList.contains('stale')"
    await page.wait_for_function(f"() => !({stale})()")
    devices.stop(device)
    await page.wait_for_function(stale)
    found.stale_s = time.time() - devices.told[device, "stopped"] / 1e3


async def _redraw(found: Found, folder: Path) -> None:
    async with beside(sys.executable, str(HERE / "web_redraw.py"), str(folder)) as server, httpx.AsyncClient() as http:
        assert server.stdout is not None
        url = f"http://127.0.0.1:{int(await server.stdout.readline())}/_dash-update-component"
        name, prop = OUTPUT.split(".")
        used = 0.0
        for turn in range(REDRAWS + 1):
            if turn == 1:
                used = cpu_s(server.pid)
            asked = {
                "output": OUTPUT,
                "outputs": {"id": name, "property": prop},
                "inputs": [{**INPUT, "value": turn}],
                "changedPropIds": [".".join(INPUT.values())],
            }
            answer = await http.post(url, json=asked, timeout=60)
            answer.raise_for_status()
        found.redraw_cpu_s = (cpu_s(server.pid) - used) / REDRAWS
