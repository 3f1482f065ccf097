"""How fast the simulated plants live without sockets, and how well they close; run: python tests/bench/simulator.py [--full]."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from plantview.config import load_plant
from plantview.simulator.history import run_day
from plantview.simulator.ledger import Ledger
from plantview.simulator.plant import SimulatedPlant

CONFIG = Path(__file__).resolve().parent.parent.parent / "config"
MORNING_MS = 1_783_431_000_000
GOAL_SPEED = 2_000.0
GOAL_GAP_PCT = 0.1
GOAL_DAY_S = 30.0
HOURS, HOURS_FULL = 3, 24


def row(name: str, measured: float, compared: str, ratio: float, goal: str, *, ok: bool) -> None:
    """Print one figure."""
    print(f"{name:<44} {measured:>12.3f}  {compared:<26} {ratio:>9.2f}  {goal:<14} {'ok' if ok else 'short'}")


def worst_gap_pct(simulated: SimulatedPlant, hours: int) -> float:
    """Return the largest open share of an energy balance over any hour."""
    worst = 0.0
    for _ in range(hours):
        simulated.truth = Ledger(simulated.machines)
        simulated.step(3_600.0)
        for balance in simulated.truth.balances():
            side = max(abs(balance.given), abs(balance.taken))
            if not balance.name.startswith("mass") and side > 1.0:
                worst = max(worst, 100 * abs(balance.gap) / side)
    return worst


def main() -> None:
    """Print every row."""
    hours = HOURS_FULL if "--full" in sys.argv else HOURS
    for folder in sorted(item.name for item in CONFIG.iterdir() if (item / "plant.toml").is_file()):
        plant = load_plant(CONFIG / folder)
        simulated = SimulatedPlant(plant, MORNING_MS)
        began_s = time.process_time()
        worst = worst_gap_pct(simulated, hours)
        speed = hours * 3_600 / (time.process_time() - began_s)
        row(
            f"{folder}: plant seconds per CPU second",
            speed,
            "real time",
            speed,
            f">= {GOAL_SPEED:g}",
            ok=speed >= GOAL_SPEED,
        )
        row(f"{folder}: worst hour's energy gap, %", worst, "larger side of the balance", worst / GOAL_GAP_PCT,
            f"<= {GOAL_GAP_PCT:g}", ok=worst <= GOAL_GAP_PCT)  # fmt: skip
        began_s = time.process_time()
        rows = sum(1 for _ in run_day(plant, MORNING_MS, hours, 60.0))
        a_day_s = (time.process_time() - began_s) * 24 / hours
        row(f"{folder}: CPU seconds of a day of history", a_day_s, f"{rows} rows of {len(plant.points)} points",
            a_day_s / GOAL_DAY_S, f"<= {GOAL_DAY_S:g}", ok=a_day_s <= GOAL_DAY_S)  # fmt: skip


if __name__ == "__main__":
    main()
