"""The pages, the live socket and the process behind them: one row per figure, compared within one run.

python tests/bench/web.py           about three minutes
python tests/bench/web.py --full    the long forms: 20,000 frames on the wall, two minutes of latencies

Twenty viewers, one of them Chromium, of 25 chillers with 501 points, all read once per second; the drawing that is looked at shows
300 values. Pages are weighed with the demo plant.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.rows import Figure, heading
from tests.bench.web_frames import Held, frames_on_the_wall
from tests.bench.web_plant import PERIOD_S, TIMEOUT_S, write_plant
from tests.bench.web_site import VIEWERS, Found, visit

KB = 1_000
SLACK_MS = 250
FAN_MAX, REDRAW_SHARE = 5.0, 200
WEIGHTS = {"/": 350, "/wall": 150, "/m": 60}
STEADY_BYTES_S = 2_000
BACK_S_MAX = 30.0
HEAP_MAX, SERVER_MAX = 1.05, 1.02


def live_rows(found: Found) -> Iterator[Figure]:
    """Yield the rows of the live socket."""
    limit = PERIOD_S * 1e3 + SLACK_MS
    yield Figure(
        "device change to pixel, p95",
        f"{found.p95_ms:.0f} ms",
        f"poll period {PERIOD_S:g} s, {VIEWERS} viewers, {found.values} values",
        f"<= {limit:.0f} ms",
        found.p95_ms <= limit,
    )
    fan = found.web_cpu_s / found.fan_cpu_s
    yield Figure(
        "server CPU of the live socket",
        f"{1e3 * found.web_cpu_s:.1f} ms/s",
        f"bare fan-out {1e3 * found.fan_cpu_s:.1f} ms/s, {found.viewer_bytes_s / KB:.1f} kB/s each",
        f"<= {FAN_MAX:g} x",
        fan <= FAN_MAX,
    )
    each = found.web_cpu_s / VIEWERS
    yield Figure(
        "server CPU per viewer and second",
        f"{1e3 * each:.2f} ms",
        f"drawn anew by a callback {1e3 * found.redraw_cpu_s:.0f} ms",
        f"<= 1/{REDRAW_SHARE}",
        each * REDRAW_SHARE <= found.redraw_cpu_s,
    )
    yield Figure(
        "server killed: live again without a touch",
        f"{found.back_s:.1f} s",
        "signal 9 to the web process",
        f"<= {BACK_S_MAX:g} s",
        found.back_s <= BACK_S_MAX,
    )
    stale = 3 * PERIOD_S + TIMEOUT_S
    yield Figure(
        "device gone: its values stale on the screen",
        f"{found.stale_s:.2f} s",
        f"3 periods of {PERIOD_S:g} s + deadline {TIMEOUT_S:g} s",
        f"<= {stale:g} s",
        found.stale_s <= stale,
    )


def weight_rows(found: Found) -> Iterator[Figure]:
    """Yield the rows of the pages' weights."""
    for path, limit in WEIGHTS.items():
        told = found.weights[path]
        yield Figure(
            f"{path}: first load until live",
            f"{told.first_bytes / KB:.1f} kB",
            f"all bytes from the server, {len(told.asked)} requests",
            f"<= {limit} kB",
            told.first_bytes <= limit * KB,
        )
        charts = [url for url in told.asked if "plotly" in url or "uplot" in url]
        yield Figure(
            f"{path}: chart libraries", str(len(charts)), " ".join(charts)[:44] or "none asked for", "0", not charts
        )
    steady = found.weights["/m"].steady_bytes_s
    yield Figure(
        "/m: steady traffic, both ways",
        f"{steady / KB:.2f} kB/s",
        f"{found.demo_values} values",
        "<= 2 kB/s",
        steady <= STEADY_BYTES_S,
    )


def frame_rows(early: Held, late: Held) -> Iterator[Figure]:
    """Yield the rows of many frames."""
    for name, limit, before, after in (
        ("browser heap after collection", HEAP_MAX, early.heap_bytes, late.heap_bytes),
        ("memory of the server", SERVER_MAX, early.server_bytes, late.server_bytes),
    ):
        yield Figure(
            f"/wall, {late.frames} frames: {name}",
            f"{after / 1e6:.2f} MB",
            f"{before / 1e6:.2f} MB at {early.frames}: {after / before:.3f} x",
            f"<= {limit:g} x",
            after <= limit * before,
        )


async def _measured(*, full: bool) -> AsyncIterator[Figure]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_plant(folder / "plant")
        found = await visit(folder, watch_s=120 if full else 30, steady_s=60 if full else 20)
        for figure in (*live_rows(found), *weight_rows(found)):
            yield figure
        early, late = (2_000, 20_000) if full else (500, 2_500)
        for figure in frame_rows(*await frames_on_the_wall(folder / "plant", folder / "frames", early, late)):
            yield figure


async def _print(*, full: bool) -> None:
    print(heading(), flush=True)
    async for figure in _measured(full=full):
        print(figure, flush=True)


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--full", action="store_true")
    asyncio.run(_print(full=parser.parse_args().full))


if __name__ == "__main__":
    main()
