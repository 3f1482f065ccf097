"""How fast the simulated plants live without sockets, how well they close, what their devices cost: python tests/bench/simulator.py [--full].

Short: three hours of each plant, and every kind of fault for 100 s. Full: a day, and every fault for half an hour.
"""

from __future__ import annotations

import asyncio
import sys
import time
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parents[2]))

from plantview.config import load_plant
from plantview.model.plant import Plant
from plantview.service.past import rows_of
from plantview.simulator.ledger import Ledger
from plantview.simulator.plant import SimulatedPlant
from tests.bench.devices import PERIODS, PERIODS_FULL, measured
from tests.simulation.plant_faults import faults_of

CONFIG: Final = Path(__file__).resolve().parent.parent.parent / "config"
MORNING_MS: Final = 1_783_431_000_000
KW_PER_TON: Final = 3.5168528
GOAL_SPEED: Final = 2_000.0
GOAL_GAP_PCT: Final = 0.1
GOAL_DAY_S: Final = 20.0
LEAST_KW_PER_TON, MOST_KW_PER_TON = 0.35, 1.2
HOURS, HOURS_FULL = 3, 24
FAULT_S, FAULT_S_FULL = 100.0, 1_800.0


def row(name: str, value: float, compared: str, ratio: float, goal: str, *, ok: bool) -> None:
    """Print one figure."""
    print(f"{name:<48} {value:>12.3f}  {compared:<30} {ratio:>9.2f}  {goal:<12} {'ok' if ok else 'short'}", flush=True)


def gap_pct(simulated: SimulatedPlant) -> float:
    """Return the largest open share of an energy balance since its ledger began; mass counts as a whole."""
    worst = 0.0
    for balance in simulated.truth.balances():
        side = max(abs(balance.given), abs(balance.taken))
        if balance.name.startswith("mass"):
            worst = max(worst, 0.0 if balance.closes else 100.0)
        elif side > 1.0:
            worst = max(worst, 100 * abs(balance.gap) / side)
    return worst


def lived(simulated: SimulatedPlant, hours: int) -> tuple[float, list[float]]:
    """Return the worst gap of any hour and the kW/ton of every loaded machine, minute by minute."""
    worst, ratios = 0.0, list[float]()
    for _ in range(hours):
        simulated.truth = Ledger(simulated.machines)
        for _ in range(60):
            simulated.step(60.0)
            machines = simulated.machines.chillers.values()
            settled = [item for item in machines if item.panel.warmed_up and item.part_load > 0.25]
            ratios += [item.power_kw / item.load_kw * KW_PER_TON for item in settled]
        worst = max(worst, gap_pct(simulated))
    return worst, ratios


def every_fault(plant: Plant, seconds: float) -> tuple[float, int]:
    """Return the worst gap while each kind of fault comes and goes, and how many did."""
    simulated, worst, faults = SimulatedPlant(plant, MORNING_MS), 0.0, list(faults_of(plant))
    for fault in faults:
        simulated.truth = Ledger(simulated.machines)
        simulated.inject(fault)
        simulated.step(seconds)
        worst = max(worst, gap_pct(simulated))
        simulated.mend(fault)
    return worst, len(faults)


def of_plant(folder: str, *, full: bool) -> None:
    """Print the rows of one plant."""
    plant, hours = load_plant(CONFIG / folder), HOURS_FULL if full else HOURS
    simulated = SimulatedPlant(plant, MORNING_MS)
    began_s = time.process_time()
    worst, ratios = lived(simulated, hours)
    speed = hours * 3_600 / (time.process_time() - began_s)
    row(f"{folder}: plant seconds per CPU second", speed, "real time", speed, f">= {GOAL_SPEED:g}",
        ok=speed >= GOAL_SPEED)  # fmt: skip
    row(f"{folder}: worst hour's gap, %", worst, "larger side of the balance", worst / GOAL_GAP_PCT,
        f"<= {GOAL_GAP_PCT:g}", ok=worst <= GOAL_GAP_PCT)  # fmt: skip
    worst, count = every_fault(plant, FAULT_S_FULL if full else FAULT_S)
    row(f"{folder}: worst gap with every fault in turn, %", worst, f"{count} faults", worst / GOAL_GAP_PCT,
        f"<= {GOAL_GAP_PCT:g}", ok=worst <= GOAL_GAP_PCT)  # fmt: skip
    if ratios:
        least, most = min(ratios), max(ratios)
        row(f"{folder}: least kW/ton of a loaded machine", least, f"highest {most:.3f}", most / least,
            f"> {LEAST_KW_PER_TON:g}", ok=least > LEAST_KW_PER_TON)  # fmt: skip
        row(f"{folder}: highest kW/ton of a loaded machine", most, f"least {least:.3f}", most / least,
            f"< {MOST_KW_PER_TON:g}", ok=most < MOST_KW_PER_TON)  # fmt: skip
    began_s = time.process_time()
    made = rows_of(plant, MORNING_MS, float(hours))
    day_s = (time.process_time() - began_s) * 24 / hours
    row(f"{folder}: CPU seconds of a day before a demo", day_s, f"{made.values.size} samples", day_s / GOAL_DAY_S,
        f"<= {GOAL_DAY_S:g}", ok=day_s <= GOAL_DAY_S)  # fmt: skip


def main() -> None:
    """Print every row."""
    full = "--full" in sys.argv
    for folder in sorted(item.name for item in CONFIG.iterdir() if (item / "plant.toml").is_file()):
        of_plant(folder, full=full)
    for name, value, compared, goal in asyncio.run(measured(PERIODS_FULL if full else PERIODS)):
        row(name, value, compared, value / goal if goal else value, f"<= {goal:g}", ok=value <= goal)


if __name__ == "__main__":
    main()
