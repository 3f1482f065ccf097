"""Import, recompute, export and a zoom of the trends page: each beside the least that the same work could cost.

Run by hand: ``python tests/bench/trends.py``, about half a minute. One row per figure; its last word is computed.
"""

from __future__ import annotations

import asyncio
import csv
import io
import statistics
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from time import perf_counter

import numpy as np

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from playwright.async_api import async_playwright  # noqa: E402

from plantview.clock import ManualClock  # noqa: E402
from plantview.config import load_plant  # noqa: E402
from plantview.config.bundled import bundled  # noqa: E402
from plantview.derive import Derivation  # noqa: E402
from plantview.history import Archive, Report, Samples, Store  # noqa: E402
from plantview.importing.column_map import read_map  # noqa: E402
from plantview.importing.export import write_csv  # noqa: E402
from plantview.importing.log import open_log  # noqa: E402
from plantview.importing.replay import frames, periods_s  # noqa: E402
from plantview.importing.take import take_log  # noqa: E402
from plantview.model.signal import signal_of  # noqa: E402
from tests.browser.seeing import CHROMIUM, FLAGS  # noqa: E402
from tests.browser.trend_site import EFFICIENCY, RETURN, STATUS, SUPPLY, trend_site  # noqa: E402

PLANT = load_plant(bundled("plants") / "larkfield")
START_MS = 1_780_272_000_000
ROWS = 60_000
ANALOG = [point for point in PLANT.points.values() if not point.states][:20]
ZOOMS = 12


def row(name: str, measured: float, unit: str, beside: str, other: float, goal: str, *, ok: bool) -> None:
    """Print one figure."""
    print(
        f"{name:<44} {measured:>10.3g} {unit:<10} {beside:<34} {other:>9.3g}  goal {goal:<22} {'ok' if ok else 'short'}"
    )


def timed(work: Callable[[], object]) -> float:
    """Return the seconds that some work takes."""
    start = perf_counter()
    work()
    return perf_counter() - start


def quiet(_done: int, _whole: int) -> None:
    """Tell nobody."""


class Nowhere:
    """Takes readings and forgets them."""

    def backfill(self, samples: dict[str, Samples]) -> Report:
        """Count them."""
        return Report({"taken": sum(len(each.at_ms) for each in samples.values())})


def bench_import(folder: Path) -> None:
    """A wide CSV of twenty columns, against reading its cells into floats and nothing else."""
    log = folder / "log.csv"
    numbers = np.round(np.random.default_rng(1).normal(20, 1, (ROWS, len(ANALOG))), 2)
    times = np.arange(START_MS, START_MS + ROWS * 60_000, 60_000).astype("datetime64[ms]").astype(str)
    with log.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["Time", *(point.name for point in ANALOG)])
        writer.writerows([time, *cells] for time, cells in zip(times, numbers.tolist(), strict=True))
    column_map = folder / "map.toml"
    columns = "".join(
        f'[[columns]]\ncolumn = "{point.name}"\npoint = "{point.name}"\nunit = "{point.unit.name}"\n'
        for point in ANALOG
    )
    column_map.write_text(
        f'schema = 1\n[time]\ncolumns = ["Time"]\nformat = "iso"\nzone = "{PLANT.zone}"\n{columns}', encoding="utf-8"
    )
    made = read_map(column_map, PLANT)

    def bare() -> list[list[float]]:
        with log.open(encoding="utf-8", newline="") as file:
            rows = csv.reader(file)
            next(rows)
            return [[float(cell) for cell in cells[1:]] for cells in rows]

    least = timed(bare)
    whole = timed(lambda: take_log(open_log(log, made.shape), made, Nowhere(), START_MS * 2, PLANT.zone, quiet))  # type: ignore[arg-type]
    cells = ROWS * len(ANALOG)
    row(
        "import, wide CSV, without the store",
        cells / whole / 1e6,
        "Mcell/s",
        "csv.reader and float(), Mcell/s",
        cells / least / 1e6,
        "<= 6 x its time",
        ok=whole <= 6 * least,
    )


def bench_recompute() -> None:
    """Derived values of one simulated hour every 15 s, against the calculations alone."""
    signals = {name: signal_of(point) for name, point in PLANT.points.items()}
    at_ms = np.arange(START_MS, START_MS + 3_600_000, 5_000, dtype=np.int64)
    middle = {
        name: 1.0 if signal.states else (max(-1e3, PLANT.points[name].low) + min(1e3, PLANT.points[name].high)) / 3
        for name, signal in signals.items()
    }
    kept = {
        name: Samples(at_ms, np.full(len(at_ms), value), np.zeros(len(at_ms), np.uint8), ("",) * len(at_ms))
        for name, value in middle.items()
    }

    def read(name: str, from_ms: int, to_ms: int) -> Samples:
        each = kept[name]
        inside = slice(*np.searchsorted(each.at_ms, [from_ms, to_ms]))
        return Samples(each.at_ms[inside], each.values[inside], each.quality[inside], each.reasons[inside])

    chosen, span, derivation = list(signals.values()), (START_MS, START_MS + 3_600_000), Derivation(PLANT)
    periods = periods_s(chosen, read, *span)
    whole = timed(lambda: [derivation.run(frame) for frame in frames(chosen, read, span, 15_000, periods)])
    made = list(frames(chosen, read, span, 15_000, periods))
    alone = timed(lambda: [derivation.run(frame) for frame in made])
    faster = 3_600 / whole
    row(
        "recompute, every 15 s, without the store",
        faster,
        "x real",
        "the calculations alone, x real",
        3_600 / alone,
        ">= 1000 x real time",
        ok=faster >= 1_000,
    )


def bench_export(folder: Path) -> None:
    """A day of twenty points as CSV from the store, against csv.writer with the same cells in memory."""
    signals = [signal_of(point) for point in ANALOG]
    at_ms = np.arange(START_MS, START_MS + 86_400_000, 15_000, dtype=np.int64)
    values = np.round(np.random.default_rng(2).normal(20, 1, len(at_ms)), 2)
    store = Store(folder / "data", {signal.name: signal for signal in signals}, ManualClock(START_MS + 2 * 86_400_000))
    store.backfill(
        {signal.name: Samples(at_ms, values, np.zeros(len(at_ms), np.uint8), ("",) * len(at_ms)) for signal in signals}
    )
    store.close()
    rows = [
        [
            "2026-06-01T00:00:00.000Z",
            "2026-06-01 00:00:00.000",
            *(cell for value in values[:1].repeat(20) for cell in (value, "GOOD")),
        ]
        for _ in at_ms
    ]
    least = timed(lambda: csv.writer(io.StringIO()).writerows(rows))
    span = (START_MS, START_MS + 86_400_000)
    whole = timed(
        lambda: write_csv(folder / "out.csv", signals, Archive(folder / "data").range, span, PLANT.zone, "ip", quiet)
    )
    cells = len(at_ms) * len(signals)
    row(
        "export, CSV in other units, from the store",
        cells / whole / 1e6,
        "Mcell/s",
        "csv.writer alone, Mcell/s",
        cells / least / 1e6,
        "<= 6 x its time",
        ok=whole <= 6 * least,
    )


ZOOMED = """async (factor) => {
  const trends = window.plantviewTrends, start = performance.now();
  const drawn = new Promise((resolve) => trends.onData(() => requestAnimationFrame(() => requestAnimationFrame(resolve))));
  const middle = (trends.view.from + trends.view.to) / 2, half = (trends.view.to - trends.view.from) * factor / 2;
  trends.setRange(middle - half, middle + half);
  await drawn;
  return performance.now() - start;
}"""


async def bench_page(folder: Path) -> None:
    """From a zoom to the frame that shows the finer numbers, four lines over nine days of minutes."""
    async with trend_site(folder) as site, async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = await browser.new_page(viewport={"width": 1366, "height": 768})
        await page.goto(f"{site.home}/trends?p={SUPPLY}&p={RETURN}&p={EFFICIENCY}&p={STATUS}&span=691200")
        await page.wait_for_function("() => window.plantviewTrends && window.plantviewTrends.data()")
        times = [float(await page.evaluate(ZOOMED, 0.75)) for _ in range(ZOOMS)]
        answer = "async () => { const start = performance.now(); await (await fetch(`/api/v1/history?point=%s&point=%s&point=%s&point=%s&form=packed&width=1300`)).arrayBuffer(); return performance.now() - start; }"
        alone = [float(await page.evaluate(answer % (SUPPLY, RETURN, EFFICIENCY, STATUS))) for _ in range(ZOOMS)]
        await browser.close()
    middle = statistics.median(times)
    row(
        "page: a zoom is repainted, median",
        middle,
        "ms",
        "one answer of the last hour, ms",
        statistics.median(alone),
        "<= 300 ms",
        ok=middle <= 300,
    )


def main() -> None:
    """Run all of them."""
    with tempfile.TemporaryDirectory() as folder:
        bench_import(Path(folder))
        bench_recompute()
        bench_export(Path(folder))
        (Path(folder) / "page").mkdir()
        asyncio.run(bench_page(Path(folder) / "page"))


if __name__ == "__main__":
    main()
