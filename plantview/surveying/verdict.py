"""What a preflight means for the person who set the plant up: per problem, what to do."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from plantview.model.plant import Adapter, Device, Plant
from plantview.model.quality import Quality
from plantview.polling.budget import BUSY_MAX
from plantview.surveying.mixups import BYTE_ORDER, Valued, balances, mixup
from plantview.surveying.preflight import Outcome

OK, NOTE, BAD = "ok", "note", "bad"
CLOCK_OFF_S: Final = 60.0
QUARTER_S: Final = 900
"""Time zones differ by whole quarters of an hour."""
POINTS_SHOWN: Final = 20
NOT_SAID: Final = "look at the device's own display for this point"
_REMEDIES: Final = (
    ("unknown-object", "correct its address column: 'plantview survey' lists the objects that the device has"),
    ("illegal data address", "correct its address column; addresses count from 0 as sent on the wire"),
    ("illegal function", "the device has no such table: try holding instead of input, or the other way round"),
    ("not available", "the device has no value for it: sensor not fitted, or a wrong address"),
    ("no number", "the sensor is broken, or type or byte order are wrong: 'plantview survey --registers' shows all"),
    ("is outside", "check unit, scale and byte order, else the sensor"),
    ("is above", "check unit, scale and byte order, else the sensor"),
    ("is below", "check unit, scale and byte order, else the sensor"),
    ("unknown state", "add the state to its states column"),
    ("out of service", "put the object back in service at its controller"),
    ("fault at the device", "repair the sensor or its wiring"),
    ("in hand", "somebody holds it in hand at the device; release it there when done"),
    ("no connection", "check host and port; a gateway that is full of connections refuses too"),
    ("gateway gets no answer", "check the unit id and the serial line behind the gateway"),
    ("no answer", "check power, cable and address; on BACnet also the adapter's mask and a firewall"),
    ("no way to the device", "check the network number and the router"),
    ("no turn in time", "the path is too slow for its points: longer periods, or fewer points"),
)


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the verdict."""

    level: str
    """``ok``, ``note`` or ``bad``."""
    subject: str
    text: str
    remedy: str = ""

    def __str__(self) -> str:
        """Return the line as it is printed."""
        mark = {OK: " ", NOTE: "?", BAD: "!"}[self.level]
        return f"{mark} {self.subject}: {self.text}" + (f" -> {self.remedy}" if self.remedy else "")


def remedy(reason: str) -> str:
    """Return what to do about the reason of a reading; the reason may hold its own remedy."""
    if "->" in reason:
        return ""
    return next((what for part, what in _REMEDIES if part in reason), NOT_SAID)


def verdict(plant: Plant, outcome: Outcome, trouble: Mapping[Adapter, Mapping[str, str]]) -> Iterator[Finding]:
    """Yield everything that a person should know, adapter first, points last."""
    yield from _adapter(plant, trouble)
    for device in plant.devices.values():
        yield from _device(plant, device, outcome)
    yield from _load(plant, outcome)
    yield from _points(plant, outcome)
    yield from _units(plant, outcome)


def _adapter(plant: Plant, trouble: Mapping[Adapter, Mapping[str, str]]) -> Iterator[Finding]:
    for adapter in plant.adapters_used():
        wrong = trouble.get(adapter, {})
        for subject, text in wrong.items():
            yield Finding(BAD, f"BACnet {subject}{_called(adapter)}", text)
        if not wrong:
            text = f"{adapter.address} is there, UDP port {adapter.port} is free"
            yield Finding(OK, f"BACnet adapter{_called(adapter)}", text)


def _called(adapter: Adapter) -> str:
    return f" {adapter.name}" if adapter.name else ""


def _device(plant: Plant, device: Device, outcome: Outcome) -> Iterator[Finding]:
    names = [name for name, point in plant.points.items() if point.device == device.id]
    what = f"{device.id} ({device.protocol} {device.unit} at {device.address})"
    if device.id in outcome.not_asked:
        yield Finding(BAD, what, f"not asked: {outcome.not_asked[device.id]}")
        return
    if not names:
        yield Finding(NOTE, what, "no point reads it", "add its points to points.csv, or delete it")
        return
    silent = {outcome.silent[name] for name in names if name in outcome.silent}
    if silent and not any(name in outcome.readings for name in names):
        why = min(silent)
        yield Finding(BAD, what, why, remedy(why))
        return
    yield Finding(OK, what, f"answers; {len(names)} points")
    health = outcome.health.get(device.id, {})
    if notice := health.get("notices", {}).get("instance", ""):
        said, _, what_to_do = notice.partition(" -> ")
        yield Finding(BAD, device.id, said, what_to_do)
    yield from _clock(device, health)


def _clock(device: Device, health: Mapping[str, Any]) -> Iterator[Finding]:
    off_s = health.get("clock_offset_s")
    if device.protocol != "bacnet":
        return
    if off_s is None:
        yield Finding(
            NOTE, f"{device.id} clock", "it does not tell its time", "its trend logs cannot be lined up with ours"
        )
    elif abs(off_s) > CLOCK_OFF_S:
        way = "ahead of" if off_s > 0 else "behind"
        quarters = round(abs(off_s) / QUARTER_S)
        zone = quarters >= 2 and abs(abs(off_s) - quarters * QUARTER_S) <= CLOCK_OFF_S
        how_far = f"{quarters / 4:g} h" if zone else f"{abs(off_s):.0f} s"
        what = (
            "it is probably set to another time zone than zone in plant.toml: correct one of them" if zone else "set it"
        )
        yield Finding(NOTE, f"{device.id} clock", f"{how_far} {way} ours", what)
    else:
        yield Finding(OK, f"{device.id} clock", f"{off_s:+.1f} s against ours")


@dataclass(slots=True)
class _Load:
    per_s: float = 0.0
    busy: float = 0.0
    most_per_s: float = 0.0


def _load(plant: Plant, outcome: Outcome) -> Iterator[Finding]:
    """Estimate the load from the plan and from how long this one cycle took."""
    networks: dict[str, _Load] = defaultdict(_Load)
    for device in plant.devices.values():
        health = outcome.health.get(device.id)
        if health is None:
            continue
        per_s = sum(one["requests_per_cycle"] / one["period_s"] for one in health["plans"])
        busy = (
            (health["cycle_ms"] or 0) / 1_000 / min(one["period_s"] for one in health["plans"])
            if health["plans"]
            else 0.0
        )
        bacnet = device.protocol == "bacnet"
        adapter = plant.adapter_of(device)
        load = networks[f"BACnet/IP{_called(adapter)}" if bacnet else f"gateway {device.address}"]
        load.per_s += per_s
        load.busy += 0.0 if bacnet else busy
        load.most_per_s = adapter.requests_per_s if bacnet else 0.0
        if device.requests_per_s and per_s > device.requests_per_s:
            yield Finding(
                NOTE,
                device.id,
                f"needs {per_s:.1f} requests/s, its budget is {device.requests_per_s:g}",
                "raise its period_s or its requests_per_s",
            )
        if bacnet and busy > BUSY_MAX:
            yield _too_busy(device.id, busy)
    for name, load in networks.items():
        if load.busy > BUSY_MAX:
            yield _too_busy(name, load.busy)
        elif load.most_per_s and load.per_s > load.most_per_s:
            yield Finding(
                BAD,
                name,
                f"needs {load.per_s:.1f} requests/s, the budget is {load.most_per_s:g}",
                "raise period_s of its devices, or requests_per_s under [bacnet]",
            )
        else:
            budget = (
                f"budget {load.most_per_s:g}" if load.most_per_s else f"busy {load.busy:.0%}, budget {BUSY_MAX:.0%}"
            )
            yield Finding(OK, f"{name} load", f"{load.per_s:.1f} requests/s ({budget})")


def _too_busy(name: str, busy: float) -> Finding:
    return Finding(
        BAD,
        name,
        f"one cycle keeps it busy {busy:.0%} of the period, the budget is {BUSY_MAX:.0%}",
        "raise period_s, or read fewer points",
    )


def _points(plant: Plant, outcome: Outcome) -> Iterator[Finding]:
    counts: Counter[str] = Counter()
    shown = 0
    dead = {
        device
        for device in plant.devices
        if all(name not in outcome.readings for name, point in plant.points.items() if point.device == device)
    }
    for name, point in plant.points.items():
        reading = outcome.readings.get(name)
        reason = outcome.silent.get(name, "") if reading is None else reading.reason
        good = reading is not None and reading.quality is Quality.GOOD
        counts["good" if good else "uncertain" if reading is not None and reading.usable else "bad"] += 1
        if good or point.device in dead:
            continue
        shown += 1
        if shown <= POINTS_SHOWN:
            level = NOTE if reading is not None and reading.usable else BAD
            yield Finding(level, f"{name} ({point.device} {point.address})", reason, remedy(reason))
    if shown > POINTS_SHOWN:
        yield Finding(
            BAD, "points", f"{shown - POINTS_SHOWN} more are not good", "correct these first, then run it again"
        )
    level = OK if not counts["bad"] else BAD
    yield Finding(
        level,
        "points",
        f"{counts['good']} good, {counts['uncertain']} uncertain, {counts['bad']} bad of {len(plant.points)}",
    )


def _units(plant: Plant, outcome: Outcome) -> Iterator[Finding]:
    valued = [
        Valued(name, point.equipment, kind, point.measurement, point.quantity, point.unit.name, reading.value)
        for name, point in plant.points.items()
        if (reading := outcome.readings.get(name)) is not None and reading.value is not None
        for kind in (plant.equipment[point.equipment].kind if point.equipment in plant.equipment else "header",)
    ]
    for one in valued:
        if doubt := mixup(one):
            column = "order" if BYTE_ORDER in doubt else "unit"
            yield Finding(
                NOTE, one.place, doubt, f"compare with the machine's own display, then correct the {column} column"
            )
    for chiller, doubt in balances(valued).items():
        yield Finding(
            NOTE, f"{chiller} heat balance", doubt, "compare flows and temperatures with the machine's display"
        )
