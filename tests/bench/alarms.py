"""Figures of the alarm engine, compared within one run: ``python tests/bench/alarms.py``."""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import orjson

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from plantview.alarms import AlarmEngine, AlarmStore, compile_rules
from plantview.model.plant import Plant
from plantview.model.reading import Frame, good
from plantview.notifying import Notifying, Settings
from plantview.notifying.settings import Receiver
from tests.bench.alarm_page import painted_ms
from tests.unit.alarm_rig import HandClock, row, small_plant

ALARMS = 5_000
FLOOD = 1_000
ROUNDS = 20
REPEATS = 5
RATIO_MOST = 10.0
LIST_MS_MOST = 300.0
GATE = "CH-1.status is RUN"


def many(count: int, points: int) -> Plant:
    """Return a plant of ``count`` alarms on ``points`` values: limits up and down, a third only while a machine runs."""
    base = small_plant()
    proto = base.points["CH-1.chws_temp"]
    names = {f"CH-1.t{number}": replace(proto, name=f"CH-1.t{number}") for number in range(points)}
    rows = tuple(
        row(f"A{number}", point=f"CH-1.t{number % points}", deadband="1 degF", on_delay_s=60,
            type=("HI", "LO")[number // points % 2], limit=("50 degF", "38 degF")[number // points % 2],
            when=GATE if number % 3 == 0 else None)
        for number in range(count)
    )  # fmt: skip
    return replace(base, points={**base.points, **names}, alarms=rows)


def started(plant: Plant, folder: Path | None = None) -> tuple[AlarmEngine, HandClock]:
    rules, _ = compile_rules(plant, {})
    assert len(rules) == len(plant.alarms)
    clock = HandClock()
    return AlarmEngine(rules, clock, AlarmStore(folder, clock)), clock


def cpu_ms(work: Callable[[int], object], rounds: int = ROUNDS) -> float:
    """Return the least CPU time of one round, of several repeats."""
    best = float("inf")
    for _ in range(REPEATS):
        began = time.process_time()
        for number in range(rounds):
            work(number)
        best = min(best, (time.process_time() - began) / rounds * 1_000)
    return best


def frames_of(plant: Plant) -> list[Frame]:
    """Return frames in which every value changes every time, all within their limits."""
    chance = random.Random(7)
    found = []
    for number in range(ROUNDS):
        readings = {name: good(40 + 9 * chance.random(), number) for name in plant.points}
        readings["CH-1.status"] = good(1.0, number)
        found.append(Frame(number, number, readings))
    return found


def told(name: str, measured: float, unit: str, compared: str, goal: float, goal_text: str) -> bool:
    ok = measured <= goal
    print(f"{name:<44} {measured:>9.2f} {unit:<6} {compared:<34} goal {goal_text:<12} {'ok' if ok else 'short'}")
    return ok


def evaluation() -> bool:
    """Compare a scan of quiet alarms with a loop that compares the same numbers with the same limits."""
    plant = many(ALARMS, ALARMS // 2)
    engine, clock = started(plant)
    frames = frames_of(plant)
    now = 0.0

    def scan(number: int) -> None:
        nonlocal now
        now += 1.0
        clock.go_to(now)
        engine.evaluate(frames[number], {})

    points = [str(cells["point"]) for cells in plant.alarms]
    numbers = [[frame.readings[name].value or 0.0 for name in points] for frame in frames]
    limits = [50.0 if cells["type"] == "HI" else 38.0 for cells in plant.alarms]

    def bare(number: int) -> int:
        count = 0
        for value, limit in zip(numbers[number], limits, strict=True):
            if value > limit:
                count += 1
        return count

    scan(0)
    scan(1)
    engine_ms, bare_ms = cpu_ms(scan), cpu_ms(bare)
    print(f"{f'{ALARMS} alarms, one scan':<44} {engine_ms:>9.3f} ms     bare compare loop {bare_ms:.3f} ms")
    return told(
        "engine / bare compare loop", engine_ms / bare_ms, "times", "CPU time, same numbers", RATIO_MOST, "<= 10"
    )


def flood() -> list[bool]:
    """Let 1,000 alarms call within 10 s, on disk: is one lost, how long does the list take, how many messages leave."""
    plant = many(FLOOD, FLOOD)
    plant = replace(plant, alarms=tuple({**cells, "on_delay_s": 0} for cells in plant.alarms))
    with tempfile.TemporaryDirectory() as folder:
        engine, clock = started(plant, Path(folder))
        receiver = Receiver(
            "On call",
            "oncall@example.org",
            "",
            frozenset({1, 2, 3, 4}),
            frozenset(),
            frozenset(range(7)),
            None,
            0.0,
            digest=False,
        )
        notifying = Notifying(Settings(receivers=(receiver,)), [], plant, clock)
        readings = {name: good(44.0, 0) for name in plant.points} | {"CH-1.status": good(1.0, 0)}
        engine.evaluate(Frame(0, 0, dict(readings)), {})
        called, slowest_ms, lists = 0, 0.0, []
        for second in range(10):
            clock.go_to(1.0 + second)
            readings |= {f"CH-1.t{n}": good(53.0, second) for n in range(second * 100, second * 100 + 100)}
            began = time.perf_counter()
            entries = engine.evaluate(Frame(second + 1, second, dict(readings)), {})
            line = orjson.dumps(engine.snapshot())
            slowest_ms = max(slowest_ms, (time.perf_counter() - began) * 1_000)
            lists.append(orjson.loads(line))
            called += sum(entry.annunciated for entry in entries)
            notifying.take(entries, engine.record)
            notifying.look(engine.snapshot, lambda _: {})
        clock.go_to(30.0)
        notifying.look(engine.snapshot, lambda _: {})
        kept = engine.lines(0, clock.now_ms() + 1)[0]
        engine.close()
        lost = FLOOD - min(called, sum(line.annunciated for line in kept))
    messages = len(notifying.waiting("On call").out)
    wall_ms, busy_ms = (max(column) for column in zip(*painted_ms(plant, lists), strict=True))
    return [
        told("flood of 1,000 in 10 s: calls not journalled", lost, "", "alarms that called", 0, "0"),
        told("flood: judged, written, list encoded", slowest_ms, "ms", "slowest second", LIST_MS_MOST, "<= 300 ms"),
        told(
            "flood: list from field process to screen",
            wall_ms,
            "ms",
            "slowest second, Chromium",
            LIST_MS_MOST,
            "<= 300 ms",
        ),
        told(
            "flood: the same, processor time", busy_ms, "ms", "slowest second, web and page", LIST_MS_MOST, "<= 300 ms"
        ),
        told("flood: messages to one receiver", messages, "", "1,000 annunciations", 1, "1"),
    ]


if __name__ == "__main__":
    results = [evaluation(), *flood()]
    sys.exit(0 if all(results) else 1)
