"""Everything that a page needs to begin with; the module ``live`` says how it reads."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from plantview.model.reading import Reading
from plantview.model.signal import Signal
from plantview.units import shown
from plantview.web.frame_view import FrameView

SAID: Final = ("temperature", "temperature_difference", "flow", "pressure_absolute", "heat_flow")
"""Quantities whose numbers stand in the sentences of reasons, in SI."""


def snapshot(view: FrameView, seq: int) -> dict[str, Any]:
    """Return everything that a page needs to begin with."""
    link = view.link()
    return {
        "kind": "snapshot",
        "seq": seq,
        "now_ms": view.now_ms(),
        "zone": view.plant.zone,
        "speed": view.speed,
        "simulated": view.plant.simulated,
        "version": view.hello.get("version", ""),
        "link": {"ok": link.ok, "since_ms": link.since_ms},
        "turns": turns(),
        "signals": {name: describe(signal) for name, signal in view.signals.items()},
        "readings": view.readings if link.ok else {name: _aged(view.reading(name)) for name in view.readings},
        "conditions": view.conditions,
        "flows": view.flows,
        "alarms": view.alarms,
        "health": short(view.health),
    }


def describe(signal: Signal) -> dict[str, Any]:
    """Return how a signal is labelled and shown in both unit systems."""
    return {
        "q": signal.quantity,
        "label": signal.label,
        "equipment": signal.equipment,
        "period_s": signal.period_s,
        "states": {str(number): word for number, word in signal.states.items()},
        "si": line(signal, "si"),
        "ip": line(signal, "ip"),
    }


def turns() -> dict[str, list[Any]]:
    """Return by SI unit the line and the unit in which a viewer of inch-pound units reads a number within a sentence."""
    pairs = [(shown(quantity, "si")[0], shown(quantity, "ip")[0]) for quantity in SAID]
    return {si.label: [si.factor / ip.factor, (si.offset - ip.offset) / ip.factor, ip.label] for si, ip in pairs}


def line(signal: Signal, system: str) -> Mapping[str, Any]:
    """Return shown = reported * f + o with d decimals and the label u."""
    target, digits = shown(signal.quantity, system)
    reported = signal.unit
    return {
        "f": reported.factor / target.factor,
        "o": (reported.offset - target.offset) / target.factor,
        "d": digits,
        "u": target.label,
    }


def _aged(reading: Reading) -> list[Any]:
    row = [reading.value, int(reading.quality), reading.reason, reading.at_ms]
    return row if reading.u95 is None else [*row, reading.u95]


def short(health: Mapping[str, Any]) -> dict[str, Any]:
    """Return health without the bytes of the last exchanges, which ``/api/v1/health`` tells."""
    devices = [{key: value for key, value in row.items() if key != "exchanges"} for row in health.get("devices", ())]
    return {**health, "devices": devices}
