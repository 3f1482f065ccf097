"""Numbers an engineer will sign: one row per figure, each measured now and held against something else.

python tests/bench/engineering.py           some minutes
python tests/bench/engineering.py --full    24 hours and a month of the demo plant, and every mutant of the calculations
"""

from __future__ import annotations

import argparse
import itertools
import re
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402 - the folder is no installed package
from CoolProp.CoolProp import PropsSI  # noqa: E402

from plantview.calcs.reconcile import reconcile  # noqa: E402
from plantview.calcs.refrigerant import HIGH_C, LOW_C, REFRIGERANTS, saturation_c  # noqa: E402
from plantview.calcs.totals import energy_kwh, register_energy_kwh  # noqa: E402
from plantview.calcs.tower_model import COEFFICIENTS  # noqa: E402
from plantview.calcs.uncertainty import COVERAGE_95, expanded  # noqa: E402
from plantview.calcs.water import density_kg_m3, heat_capacity_kj_kg_k  # noqa: E402
from plantview.config import load_plant  # noqa: E402
from plantview.derive import Derivation  # noqa: E402
from plantview.derive.learned import Model  # noqa: E402
from plantview.derive.learned.learning import Learning, Refused  # noqa: E402
from plantview.importing.replay import STEPS_MAX  # noqa: E402
from plantview.model.columns import Column, Floats, Reasons  # noqa: E402
from plantview.model.reading import Frame, good  # noqa: E402
from plantview.simulator.history import run_day  # noqa: E402
from plantview.simulator.plant import SimulatedPlant  # noqa: E402
from tests.bench.rows import Figure, heading  # noqa: E402
from tests.standards import test_reconcile as cases  # noqa: E402
from tests.standards.check_values import ROWS, WAYS, libraries_behind, misses  # noqa: E402
from tests.standards.monte_carlo import SAMPLES, drawn_u95  # noqa: E402
from tests.standards.test_refrigerant import COOLPROP  # noqa: E402
from tests.standards.test_tower_model import PRINTED  # noqa: E402
from tests.standards.uncertainty_cases import CASES  # noqa: E402
from tests.unit.closing import gap, sums  # noqa: E402
from tests.unit.derive_frames import LARKFIELD, ORCHARD  # noqa: E402
from tests.unit.shown_frames import FRAMES, running, screens  # noqa: E402

START_MS = 1_782_900_000_000 // 900_000 * 900_000
STEP_S = 15.0
YEAR_ROWS = 525_600


def check_values() -> Iterator[Figure]:
    """Yield how many check values are met, and how many implementations compute with their own oracle."""
    met = sum(not misses(row) for row in ROWS)
    yield Figure(
        "check values at their tolerances",
        f"{met} of {len(ROWS)}",
        "values and oracles of check_values.json",
        "83 of 83",
        met == 83,
    )
    same = [kind for kind, way in WAYS.items() if way.oracle.partition(" ")[0] in libraries_behind(way.implementation)]
    yield Figure(
        "implementations that are their own oracle",
        str(len(same)),
        f"imports behind {len(WAYS)} implementations",
        "0",
        not same,
    )


def standards() -> Iterator[Figure]:
    """Yield how many tests hold against print or independent libraries."""
    command = [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider", "tests/standards"]
    said = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False).stdout
    files = [line.partition("::")[0] for line in said.splitlines() if "::" in line]
    outside = [name for name in files if "test_simulator" not in name and "trade_facts" not in name]
    functions = {line.partition("[")[0] for line in said.splitlines() if "::" in line and "test_simulator" not in line}
    words = f"{len(outside)} cases in {len(set(outside))} files"
    yield Figure("tests against print and other libraries", str(len(functions)), words, "≥ 40", len(functions) >= 40)
    differing = [number for number, token in enumerate(PRINTED.split()) if COEFFICIENTS[number] != float(token)]
    yield Figure(
        "tower coefficients that differ, token by token",
        f"{len(differing)} of {len(COEFFICIENTS)}",
        "second transcription",
        "0",
        not differing,
    )


def properties() -> Iterator[Figure]:
    """Yield the largest error of each property fit."""
    worst_k = 0.0
    for name in REFRIGERANTS:
        for at_c in np.linspace(LOW_C + 0.01, HIGH_C - 0.01, 200):
            kpa = PropsSI("P", "T", at_c + 273.15, "Q", 1, COOLPROP[name]) / 1_000
            worst_k = max(worst_k, abs(saturation_c(kpa, name) - at_c))
    yield Figure(
        "saturation temperature, largest error",
        f"{worst_k:.4f} K",
        f"CoolProp, {len(REFRIGERANTS)} refrigerants, -20..70 °C",
        "≤ 0.01 K",
        worst_k <= 0.01,
    )
    worst = 0.0
    for fluid, mixture in (
        ("water", "Water"),
        *((f"{g} {x} %", f"INCOMP::{g}[{x / 100}]") for g in ("MEG", "MPG") for x in (10, 25, 45)),
    ):
        for at_c in np.linspace(0.5, 59.5, 60):
            for ours, key, per in ((density_kg_m3, "D", 1.0), (heat_capacity_kj_kg_k, "C", 1_000.0)):
                oracle = PropsSI(key, "T", at_c + 273.15, "P", 4e5, mixture) / per
                worst = max(worst, abs(ours(float(at_c), fluid) / oracle - 1))
    yield Figure(
        "density and heat capacity, largest error",
        f"{100 * worst:.4f} %",
        "CoolProp, water and 6 glycols, 0..60 °C",
        "≤ 0.02 %",
        worst <= 2e-4,
    )


def uncertainties() -> Iterator[Figure]:
    """Yield how far propagation is from drawing."""
    for case in CASES:
        oracle = drawn_u95(case.calc, case.values, case.u95, case.correlation)
        found = expanded(case.calc, case.values, case.u95, case.correlation)
        off = abs(found / oracle - 1)
        yield Figure(
            f"U95: {case.name}",
            f"{found:.4g} ({100 * off:.2f} % off)",
            f"Monte Carlo, {SAMPLES:,} samples: {oracle:.4g}",
            "≤ 3 %",
            off <= 0.03,
        )


def reconciliation() -> Iterator[Figure]:
    """Yield the published network and the worked cases."""
    found = reconcile(cases.NETWORK, [COVERAGE_95] * 6, cases.network)
    off = max(abs(one - other) for one, other in zip(found.values, cases.NETWORK_ADJUSTED, strict=True))
    yield Figure(
        "reconciled network, largest difference",
        f"{off:.4f}",
        "Narasimhan and Jordache (2000), example 1-1",
        "≤ 0.005",
        off <= 0.005,
    )
    yield Figure("its chi²", f"{found.chi2:.3f}", "6.407", "≤ 0.001 off", abs(found.chi2 - 6.407) <= 0.001)
    worked = (
        ("header of two chillers, chi²", (2_400, 1_180, 1_270), (48.0, 35.4, 38.1), cases.header, 1.917),
        ("the same with a wrong meter, chi²", (2_400, 1_180, 1_430), (48.0, 35.4, 42.9), cases.header, 31.39),
        ("heat balance of a chiller, chi²", cases.HEAT, cases.HEAT_U95, cases.heat_tons, 0.993),
    )
    for name, readings, spreads, balances, expected in worked:
        chi2 = reconcile(readings, spreads, balances).chi2
        yield Figure(name, f"{chi2:.4g}", f"{expected}", "to its last digit", abs(chi2 - expected) <= 0.006)


def closing() -> Iterator[Figure]:
    """Yield how many displayed sums do not come out by hand."""
    for name in ("larkfield", "orchard", "millrace"):
        plant = load_plant(ROOT / "config" / name)
        base = {"larkfield": LARKFIELD, "orchard": ORCHARD}.get(name) or running(plant)
        shown, wanted = screens(plant, base, plant.units), list(sums(plant, plant.units))
        wrong = sum(gap(screen, each)[0] > gap(screen, each)[1] for screen in shown for each in wanted)
        words = f"{len(wanted)} sums on {FRAMES} random frames of {name}"
        yield Figure("displayed sums that do not close by hand", str(wrong), words, "0", wrong == 0)


def demo_plant(hours: float) -> Iterator[Figure]:
    """Yield energy against registers, and how often the balances of a fault-free plant close."""
    plant = load_plant(ROOT / "config" / "larkfield")
    simulated, derivation = SimulatedPlant(plant, START_MS, 7), Derivation(plant)
    rows: list[Mapping[str, float]] = []
    verdicts: dict[int, float | None] = {}
    runs = round(hours * 3_600 / STEP_S)
    for run in range(runs):
        for _ in range(3):
            simulated.step(STEP_S / 3)
        at_ms = START_MS + round((run + 1) * STEP_S * 1_000)
        reported = simulated.reported()
        rows.append(reported)
        state = derivation.run(
            Frame(1, at_ms, {name: good(value, at_ms) for name, value in reported.items()})
        ).readings["PLANT.balance_state"]
        verdicts[state.at_ms] = state.value
    at_h = [(run + 1) * STEP_S / 3_600 for run in range(runs)]
    yield from _energies(rows, at_h, hours)
    judged = [value for value in verdicts.values() if value is not None]
    words = f"fault-free demo plant, {hours:g} h, {len(judged)} steady quarters of an hour"
    wrong = sum(value != 0 for value in judged)
    yield Figure(
        "quarters of an hour that do not close",
        f"{wrong} of {len(judged)}",
        words,
        "≤ 5 %",
        bool(judged) and wrong <= 0.05 * len(judged),
    )


def _energies(rows: Sequence[Mapping[str, float]], at_h: list[float], hours: float) -> Iterator[Figure]:
    for chiller in ("CH-1", "CH-2", "CH-3"):
        power, register = ([row[f"{chiller}.{name}"] for row in rows] for name in ("power", "energy"))
        integrated = energy_kwh(at_h, power)
        if integrated < 100:
            continue
        counted = register_energy_kwh(_spoiled(register), 10_000.0, 50.0)
        off = abs(counted / integrated - 1)
        words = f"{chiller} over {hours:g} h: roll-over and a new meter in between"
        yield Figure(
            "integrated power against the energy register", f"{100 * off:.2f} % off", words, "≤ 1 %", off <= 0.01
        )


def _spoiled(register: list[float]) -> list[float]:
    """Return the register as one of four digits that rolls over a third through, and is replaced two thirds through."""
    third = len(register) // 3
    shifted = [value - register[third] + 9_999.5 for value in register]
    rolled = [value % 10_000 for value in shifted]
    return rolled[: 2 * third] + [value - register[2 * third] + 17.0 for value in register[2 * third :]]


def learning(days: int) -> Iterator[Figure]:
    """Yield how far each learned model is from days that its fit did not see."""
    plant, reasons = load_plant(ROOT / "config" / "larkfield"), Reasons()
    derivation = Derivation(plant)
    taught, sweep = Learning(plant, derivation.units, 60_000), derivation.sweep()
    readings = run_day(plant, START_MS, 24.0 * days, 60.0)
    while batches := [*itertools.islice(readings, 1_440)]:  # a day at a time: a month of readings takes gigabytes
        at_ms = np.array([batch.at_ms for batch in batches])
        columns = {
            name: column_of([batch.readings[name].value for batch in batches], reasons) for name in batches[0].readings
        }
        taught.take(at_ms, {**columns, **sweep.run(at_ms, columns, reasons)})
    yield from learned_figures(taught.models(START_MS), days)


def column_of(values: Sequence[float | None] | Floats, reasons: Reasons) -> Column:
    """Return what one device reported; where it had no number the reading is BAD."""
    numbers = np.array(values, float)
    lost = np.isnan(numbers)
    codes = np.where(lost, reasons.code("its device has no number for it"), 0)
    return Column(numbers, np.where(lost, 3, 0).astype(np.uint8), codes)


def learned_figures(found: Mapping[str, Model | Refused], days: int) -> Iterator[Figure]:
    """Yield a row per machine; a refused one is short, with its reason."""
    for machine, model in found.items():
        if isinstance(model, Refused):
            yield Figure(f"learned model of {machine}", "none", model.why, "≤ 1.5 %", met=False)
            continue
        record = model.record
        words = f"{record.held_back} steady means held back, {days} days"
        if model.kind == "chiller":
            shown, met = f"CV-RMSE {record.cv_rmse_pct:.2f} %", record.cv_rmse_pct <= 1.5
            yield Figure(f"learned power of {machine}, ten terms", shown, words, "≤ 1.5 %", met)
        else:
            yield Figure(f"learned approach of {machine}", f"{record.rmse:.3f} K", words, "≤ 0.3 K", record.rmse <= 0.3)


def recomputing(rows: int) -> Iterator[Figure]:
    """Yield how long a year of minutes takes at once, and how much longer frame by frame, in processor time."""
    plant = load_plant(ROOT / "config" / "larkfield")
    batches = [*run_day(plant, START_MS, 24.0, 60.0)][:-1]
    day = {name: np.array([batch.readings[name].value for batch in batches], float) for name in batches[0].readings}
    derivation, reasons = Derivation(plant), Reasons()
    sweep, spent, draw = derivation.sweep(), 0.0, np.random.default_rng(3)
    for begin in range(0, rows, STEPS_MAX // 15 * 15):
        at_ms = START_MS + np.arange(begin, min(rows, begin + STEPS_MAX // 15 * 15)) * 60_000
        # a day again and again, each number a little off every time, so that no two minutes of the year are alike
        place = (at_ms - START_MS) // 60_000 % len(batches)
        apart = {name: 0.0 if plant.points[name].states else draw.normal(0.0, 1e-3, place.size) for name in day}
        columns = {name: column_of(values[place] * (1.0 + apart[name]), reasons) for name, values in day.items()}
        started = time.process_time()
        sweep.run(at_ms, columns, reasons)
        spent += time.process_time() - started
    year_s = spent / rows * YEAR_ROWS
    words = f"{rows:,} of {YEAR_ROWS:,} minutes, {len(derivation.signals)} derived values, processor time"
    yield Figure("derived values of a year of minutes", f"{year_s:.1f} s", words, "≤ 10 s", year_s <= 10)
    started = time.process_time()
    for batch in batches:
        derivation.run(Frame(1, batch.at_ms, batch.readings))
    ratio = (time.process_time() - started) / len(batches) * YEAR_ROWS / year_s
    yield Figure("the same frame by frame", f"{ratio:.0f} × as long", f"{len(batches)} frames", "≥ 100 ×", ratio >= 100)


def mutation(*, full: bool) -> Iterator[Figure]:
    """Yield the share of mutants that the tests kill; the list of survivors is mutate.py's own."""
    if not full:
        return
    said = subprocess.run(
        [sys.executable, str(ROOT / "tests/bench/mutate.py"), "--full"], capture_output=True, text=True, check=False
    ).stdout
    found = re.search(r"mutants of calcs killed +([\d.]+) %  (\d+) of", said)
    share = float(found[1]) if found else 0.0
    yield Figure(
        "mutants of calcs killed", f"{share} %", f"{found[2] if found else 'no'} mutants", "≥ 95 %", share >= 95
    )


def main() -> int:
    """Print every row; the exit code says whether all are ok."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--full", action="store_true")
    full = options.parse_args().full
    print(heading())
    all_met = True
    for figures in (
        check_values(), standards(), properties(), uncertainties(), reconciliation(), closing(),
        demo_plant(24.0 if full else 4.0),
        learning(30 if full else 6),
        recomputing(YEAR_ROWS if full else 60_000), mutation(full=full),
    ):  # fmt: skip
        for figure in figures:
            all_met = all_met and figure.met
            print(figure, flush=True)
    return 0 if all_met else 1


if __name__ == "__main__":
    sys.exit(main())
