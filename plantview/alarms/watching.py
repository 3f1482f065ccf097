"""From the keys of a row to what the alarm watches."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from plantview.alarms import amounts
from plantview.alarms.names import near, state_numbers
from plantview.alarms.rows import Row
from plantview.alarms.watch import (
    Deviation,
    DeviceOwn,
    Limit,
    Losses,
    Mismatch,
    Rate,
    Silence,
    StateIs,
    Unusable,
    Watch,
)
from plantview.model.plant import Plant
from plantview.model.signal import Signal

DERIVED_PERIOD_S: Final = 15.0
EVENTS_PERIOD_S: Final = 30.0
"""How often a device is asked for what it has in alarm."""
LOSSES_MIN: Final = 2

# Seconds on and off by quantity: the widely reproduced starting points of ISA-18.2 and EEMUA 191 (from memory).
DELAYS: Final[dict[str, tuple[float, float]]] = {
    "temperature": (60.0, 60.0),
    "temperature_difference": (60.0, 60.0),
    "flow": (15.0, 15.0),
    "length": (60.0, 60.0),
    "pressure_gauge": (15.0, 15.0),
    "pressure_absolute": (15.0, 15.0),
    "pressure_difference": (15.0, 15.0),
}


def build(row: Row, plant: Plant, signals: Mapping[str, Signal]) -> Watch | None:
    """Return what a row watches; None if the row notes why not."""
    if not row.type or row.problems:
        return None
    if row.type == "COMM":
        return _silence(row, plant)
    if row.type == "DEVICE":
        return _own(row, plant, signals)
    if row.type == "LOSS":
        return _losses(row, plant)
    signal = _signal(row, "point", signals)
    if signal is None:
        return None
    if signal.quantity == "state" and row.type in _OF_NUMBERS:
        row.wrong("point", f"{signal.name} is a state", 'use type = "STATE" and states = [...]')
        return None
    return _of_signal(row, signal, signals)


_OF_NUMBERS: Final = frozenset({"HI", "HIHI", "LO", "LOLO", "DEV_HI", "DEV_LO", "ROC"})


def _of_signal(row: Row, signal: Signal, signals: Mapping[str, Signal]) -> Watch | None:
    match row.type:
        case "HI" | "HIHI" | "LO" | "LOLO":
            limit = _number(row, "limit", amounts.amount, signal)
            return Limit(signal, row.type.startswith("HI"), limit, _deadband(row, signal))
        case "DEV_HI" | "DEV_LO":
            return _deviation(row, signal, signals)
        case "ROC":
            return _rate(row, signal)
        case "STATE":
            return _state(row, signal)
        case "MISMATCH":
            return _mismatch(row, signal, signals)
        case _:
            return Unusable(signal)


def _number(row: Row, key: str, convert: Callable[[str, Signal], float], signal: Signal) -> float:
    """Return a limit in the unit of the signal; 0 after noting what is wrong with it."""
    text = row.text(key, required=True)
    try:
        return convert(text, signal) if text else 0.0
    except ValueError as error:
        row.wrong(key, str(error), 'write a number with a unit, like "48 degF"')
        return 0.0


def _deadband(row: Row, signal: Signal) -> float:
    return _number(row, "deadband", amounts.span, signal) if row.given("deadband") else 0.0


def _rate(row: Row, signal: Signal) -> Watch | None:
    limit, within_s = _number(row, "limit", amounts.span, signal), row.number("within_s", 0.0)
    if within_s == 0:
        row.wrong("within_s", "must be above 0", "the seconds within which the change counts, such as 60")
    return Rate(signal, limit, _deadband(row, signal), within_s)


def _state(row: Row, signal: Signal) -> Watch | None:
    words = row.words("states")
    try:
        return StateIs(signal, state_numbers(signal, words))
    except ValueError as error:
        row.wrong("states", str(error), "use the words of the point list's states column")
        return None


def _deviation(row: Row, signal: Signal, signals: Mapping[str, Signal]) -> Watch | None:
    setpoint = _signal(row, "setpoint", signals)
    if setpoint is None:
        return None
    if setpoint.quantity != signal.quantity:
        wrong = f"{setpoint.name} is a {setpoint.quantity}, {signal.name} a {signal.quantity}"
        row.wrong("setpoint", wrong, "name a setpoint of the same quantity")
        return None
    limit = _number(row, "limit", amounts.span, signal)
    return Deviation(signal, setpoint, row.type == "DEV_HI", limit, _deadband(row, signal))


def _mismatch(row: Row, signal: Signal, signals: Mapping[str, Signal]) -> Watch | None:
    command = _signal(row, "command", signals)
    if command is None:
        return None
    if command.unit != signal.unit:
        row.wrong("command", f"{command.name} and {signal.name} have different units", "name the command of this point")
        return None
    if signal.quantity == "state":
        return Mismatch(signal, command, None)
    return Mismatch(signal, command, _number(row, "limit", amounts.span, signal))


def _silence(row: Row, plant: Plant) -> Watch | None:
    name = row.text("device")
    if name in plant.devices:
        return Silence(name, plant.devices[name].label)
    row.wrong("device", f"no device '{name}'{near(name, plant.devices)}", "name a device of [devices]")
    return None


def _own(row: Row, plant: Plant, signals: Mapping[str, Signal]) -> Watch | None:
    name = row.text("device")
    device = plant.devices.get(name)
    if device is None:
        row.wrong("device", f"no device '{name}'{near(name, plant.devices)}", "name a device of [devices]")
        return None
    if device.protocol != "bacnet":
        row.wrong("device", f"{name} is a Modbus device: it has no alarms of its own", "name a BACnet device")
        return None
    points = {signal.address: signal for signal in signals.values() if signal.device == name}
    return DeviceOwn(name, device.label, points=points)


def _losses(row: Row, plant: Plant) -> Watch | None:
    count, within_s = row.number("devices_min", 0.0), row.number("within_s", 0.0)
    if within_s == 0:
        row.wrong("within_s", "must be above 0", "the seconds within which devices are lost together, such as 30")
    if count != int(count) or not LOSSES_MIN <= count <= max(LOSSES_MIN, len(plant.devices)):
        remedy = f"a whole number from {LOSSES_MIN} to the {len(plant.devices)} devices of this plant"
        row.wrong("devices_min", f"'{count:g}' devices", remedy)
        return None
    return Losses(int(count), within_s)


def _signal(row: Row, key: str, signals: Mapping[str, Signal]) -> Signal | None:
    name = row.text(key)
    if name not in signals:
        row.wrong(key, f"no signal '{name}'{near(name, signals)}", "name a point of points.csv or a derived value")
    return signals.get(name)


def equipment(watch: Watch) -> str:
    """Return the equipment, header or device that the alarm belongs to."""
    match watch:
        case Silence(device) | DeviceOwn(device):
            return device
        case Losses():
            return "PLANT"
        case _:
            return watch.signal.equipment


def devices(watch: Watch, signals: Mapping[str, Signal]) -> frozenset[str]:
    """Return every device behind the watched signals, through derived values down to what is read."""
    found: set[str] = {watch.device} if isinstance(watch, DeviceOwn) else set()
    seen: set[str] = set()
    waiting = [signal.name for signal in watch.signals]
    while waiting:
        signal = signals.get(waiting.pop())
        if signal is None or signal.name in seen:
            continue
        seen.add(signal.name)
        found.add(signal.device)
        waiting.extend(signal.inputs)
    return frozenset(found - {""})


def period_s(watch: Watch, plant: Plant) -> float:
    """Return how often the slowest watched signal is renewed."""
    if isinstance(watch, Silence):
        return plant.devices[watch.device].period_s
    if isinstance(watch, DeviceOwn):
        return EVENTS_PERIOD_S
    if isinstance(watch, Losses):
        return max(device.period_s for device in plant.devices.values())
    return max(signal.period_s or DERIVED_PERIOD_S for signal in watch.signals)


def delays(watch: Watch | None) -> tuple[float, float]:
    """Return the on-delay and off-delay that a row gets if it says nothing."""
    if watch is None or not isinstance(watch, Limit | Deviation | Rate):
        return 0.0, 0.0
    return DELAYS.get(watch.signal.quantity, (0.0, 0.0))
