"""Performance and equipment answers equal an independent computation on the same stored samples, gaps included."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from plantview.channel.client import ChannelClient
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.derive import Derivation
from plantview.history import Samples, Store
from plantview.model.rates import Rates
from plantview.model.signal import Signal
from plantview.web import performance as work
from plantview.web.app import build_application
from plantview.web.equipment_api import midnight_ms, ran_since, why_not_counted
from plantview.web.frame_view import FrameView
from plantview.web.hosts import allowed_hosts
from plantview.web.live import Live
from plantview.web.performance_api import rates_of
from tests.unit.fake_field import START_MS, FakeField

PLANT = load_plant(bundled("plants") / "larkfield")
HOME = "http://127.0.0.1:8050"
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
TON_KW = 12_000 * 1.05505585262 / 3_600
"""12,000 Btu/h, International Table Btu."""
NOW_MS = START_MS // 300_000 * 300_000
GAP_MS = (NOW_MS - 9 * HOUR_MS, NOW_MS - 7 * HOUR_MS)
"""Nothing was read."""
LOST_METER_MS = (NOW_MS - 15 * HOUR_MS, NOW_MS - 14 * HOUR_MS)
"""The meter of one pump said nothing."""
LOST = {"PCHWP-1.power"}
IDLE_MS = (NOW_MS - 20 * HOUR_MS, NOW_MS - 18 * HOUR_MS)
"""Pumps run, no load."""
PUMPS = [
    f"{name}-{number}.power" for name, last in (("CWP", 3), ("PCHWP", 3), ("SCHWP", 2)) for number in range(1, last + 1)
]
DAYS = 9


def _at() -> Any:
    at = np.arange(NOW_MS - DAYS * DAY_MS, NOW_MS, MINUTE_MS, dtype=np.int64)
    return at[(at < GAP_MS[0]) | (at >= GAP_MS[1])]


def canonical(name: str, at: Any) -> Any:
    """Return what was true [kW, °C, %], by name."""
    day = np.sin(at / DAY_MS * 2 * math.pi)
    load = 3_000.0 + 1_500.0 * day
    load = np.where((at >= IDLE_MS[0]) & (at < IDLE_MS[1]), 20.0, load)
    lifted = {
        work.COOLING: load,
        work.REJECTION: 1.19 * load,
        work.WET_BULB: 20.3 + 0.2 * day,
        "PLANT.chillers_power": 0.17 * load + 20.0,
        "PLANT.towers_power": 18.0 + 3.0 * day,
    }
    return lifted.get(name, np.full(at.size, 12.0 + PUMPS.index(name) if name in PUMPS else math.nan))


def _stored(signal: Signal) -> Samples:
    at = _at()
    if signal.name in LOST:
        at = at[(at < LOST_METER_MS[0]) | (at >= LOST_METER_MS[1])]
    values = (canonical(signal.name, at) - signal.unit.offset) / signal.unit.factor
    return Samples(at, values, np.zeros(at.size, np.uint8), ("",) * at.size)


def _status(signal: Signal) -> Samples:
    at = _at()
    hour = (at - NOW_MS) // HOUR_MS
    return Samples(at, (hour % 6 < 3).astype(float), np.zeros(at.size, np.uint8), ("",) * at.size)


@pytest.fixture(scope="module")
def signals() -> dict[str, Signal]:
    return dict(Derivation(PLANT).signals)


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory, signals: dict[str, Signal]) -> Path:
    folder = tmp_path_factory.mktemp("performance")
    (folder / "run").mkdir(mode=0o700)
    field = FakeField(PLANT, folder / "run" / "s.sock")
    field.signals |= {name: signals[name] for name in signals if name.startswith("PLANT.")}
    names = [*PUMPS, work.COOLING, work.REJECTION, work.WET_BULB, "PLANT.chillers_power", "PLANT.towers_power"]
    store = Store(folder, field.signals, ManualClock(NOW_MS))
    report = store.backfill(
        {name: _stored(field.signals[name]) for name in names} | {"CH-1.status": _status(field.signals["CH-1.status"])}
    )
    store.close()
    assert report.ok
    return folder


@pytest.fixture
async def http(data: Path, signals: dict[str, Signal], tmp_path: Path) -> AsyncIterator[httpx.AsyncClient]:
    """Return the API over that store; the field process is absent, so all comes from disk."""
    view = FrameView(PLANT, ManualClock(NOW_MS))
    view.signals = {**view.signals, **signals}
    client = ChannelClient(tmp_path / "nobody.sock", lambda _kind, _body: None)
    application = build_application(
        view, Live(view, ManualClock(NOW_MS)), client, allowed_hosts("127.0.0.1", 8050), data
    )
    async with httpx.AsyncClient(transport=httpx.ASGITransport(application.guarded), base_url=HOME) as opened:
        yield opened


def independent(days: int) -> dict[str, float]:
    """Work the same out from the samples minute by minute, with plain loops."""
    bins: dict[int, dict[str, list[float]]] = {}
    for name in (*PUMPS, work.COOLING, "PLANT.chillers_power", "PLANT.towers_power"):
        at = _at()
        if name in LOST:
            at = at[(at < LOST_METER_MS[0]) | (at >= LOST_METER_MS[1])]
        at = at[at >= NOW_MS - days * DAY_MS]
        for moment, value in zip(at.tolist(), canonical(name, at).tolist(), strict=True):
            bins.setdefault(moment // 300_000, {}).setdefault(name, []).append(value)
    energy = rated = cooling = 0.0
    for row in bins.values():
        means = {name: sum(values) / len(values) for name, values in row.items()}
        if all(name in means for name in (*PUMPS, "PLANT.chillers_power", "PLANT.towers_power")):
            power = sum(means[name] for name in (*PUMPS, "PLANT.chillers_power", "PLANT.towers_power"))
            energy += power / 12
            if means[work.COOLING] > 0.05 * 2317.0:
                rated += power / 12
                cooling += means[work.COOLING] / 12
    return {
        "energy_kwh": energy,
        "rated_energy_kwh": rated,
        "cooling_kwh": cooling,
        "kw_per_ton": rated / (cooling / TON_KW),
    }


@pytest.mark.parametrize("days", [1, 7, 30])
async def test_sums_equal_an_independent_computation_on_the_same_samples_with_gaps(
    http: httpx.AsyncClient, days: int
) -> None:
    body = (await http.get(f"/api/v1/performance?days={days}")).json()
    for name, expected in independent(days).items():
        assert body[name] == pytest.approx(expected, rel=1e-6), name
    assert body["hours"] == days * 24
    stored = min(days, DAYS) * 24
    assert body["power_hours"] == pytest.approx(stored - 3), "two hours of gap and one of a lost meter"
    assert body["rated_hours"] == pytest.approx(stored - 5), "and two without load"
    step_min = {1: 5, 7: 15, 30: 60}[days]
    assert body["curve"]["step_ms"] == step_min * MINUTE_MS
    assert len(body["curve"]["heat_balance_pct"]) == len(body["tolerance"]["pct"]) == days * 1_440 // step_min


async def test_the_groups_close_with_the_total(http: httpx.AsyncClient) -> None:
    body = (await http.get("/api/v1/performance?days=7")).json()
    assert [row["id"] for row in body["groups"]] == ["chillers", "pumps-chilled", "pumps-condenser", "towers"]
    for name in ("energy_kwh", "kw_per_ton"):
        assert sum(row[name] for row in body["groups"]) == pytest.approx(body[name], rel=1e-12), name


async def test_a_curve_is_blank_in_a_gap_and_adds_up_to_the_sum(http: httpx.AsyncClient) -> None:
    curve = (await http.get("/api/v1/performance?days=1")).json()["curve"]
    chillers = curve["kw_per_ton"]["chillers"]
    for start, value in zip(curve["start_ms"], chillers, strict=True):
        blank = any(low <= start < high for low, high in (GAP_MS, LOST_METER_MS, IDLE_MS))
        assert (value is None) == blank, start
    known = [value for value in curve["heat_balance_pct"] if value is not None]
    assert known
    assert all(-20 < value < 20 for value in known)


async def test_the_gap_to_its_own_best_needs_enough_like_hours(http: httpx.AsyncClient) -> None:
    best = (await http.get("/api/v1/performance?days=1")).json()["best"]
    assert best["why_not"] == ""
    assert 0 < best["hours"] <= best["hours_rated"]
    assert all(cell["n"] >= work.BEST_HOURS_MIN for cell in best["cells"])
    few = work.Seen(0, (), (), np.full(12, 3_000.0), np.full(12, 3_500.0), np.full(12, 20.0), 100.0)
    told = work.against_best(few, few, 6_951.0)
    assert told["gap_kwh"] is None
    assert "not yet" in told["why_not"]


async def test_rates_of_the_plant_description_come_with_the_sums(data: Path, tmp_path: Path) -> None:
    view = FrameView(replace(PLANT, rates=Rates(0.12, "USD", 0.37)), ManualClock(NOW_MS))
    assert rates_of(view) == {"energy_price": 0.12, "currency": "USD", "carbon_kg_per_kwh": 0.37}
    assert rates_of(FrameView(PLANT, ManualClock(NOW_MS))) is None


async def test_a_stretch_that_is_not_offered_is_refused_with_a_remedy(http: httpx.AsyncClient) -> None:
    answer = await http.get("/api/v1/performance?days=2")
    assert answer.status_code == 400
    assert answer.json()["remedy"]


async def test_run_hours_and_starts_are_those_of_the_stored_status(http: httpx.AsyncClient) -> None:
    ran = (await http.get("/api/v1/equipment?id=CH-1")).json()["running"]
    at = _at()
    at = at[at >= NOW_MS - 7 * DAY_MS]
    on = ((at - NOW_MS) // HOUR_MS) % 6 < 3
    steps = np.diff(at)
    expected = sum(
        step for step, state in zip(steps.tolist(), on[:-1].tolist(), strict=True) if state and step <= 15 * MINUTE_MS
    )
    assert ran["week"]["run_h"] == pytest.approx(expected / HOUR_MS)
    assert ran["week"]["starts"] == sum(not before and after for before, after in pairwise(on))
    assert ran["week"]["seen_h"] == pytest.approx(7 * 24 - 2, abs=0.05)


async def test_a_machine_without_status_says_so_and_how_to_add_it(http: httpx.AsyncClient) -> None:
    ran = (await http.get("/api/v1/equipment?id=AHU-N1")).json()["running"]
    assert ran["point"] is None
    assert ran["why_not"] == "a coil has no run status"
    assert "points.csv" in why_not_counted(PLANT.equipment["CWP-1"])
    assert (await http.get("/api/v1/equipment?id=nobody")).status_code == 404


async def test_design_data_is_told_in_both_unit_systems(http: httpx.AsyncClient) -> None:
    shown = (await http.get("/api/v1/equipment?id=CH-1")).json()["design_shown"]
    assert shown["si"]["cooling_capacity"] == "2317 kW"
    assert shown["ip"]["cooling_capacity"] == f"{2317 / TON_KW:.0f} tons"


def test_a_status_that_was_never_known_is_no_zero() -> None:
    assert ran_since(Samples.none(), 0) == {"run_h": None, "starts": None, "seen_h": 0.0}


def test_the_sites_day_begins_at_its_own_midnight() -> None:
    assert midnight_ms(1_790_000_000_000, "UTC") == 1_789_948_800_000
