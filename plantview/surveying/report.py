"""What a survey found, in lines for a person at a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from plantview.surveying.adapters import Interface
from plantview.surveying.draft import Row
from plantview.surveying.results import FoundDevice, FoundUnit, Survey

_WORTH_KNOWING: Final = ("read-property-multiple", "subscribe-cov", "read-range")
HELD_SHOWN: Final = 10
DOUBTS_SHOWN: Final = 20


def adapter_lines(found: Sequence[Interface], chosen: Interface, why: str, port: int, holder: str) -> list[str]:
    """Return the adapters of this computer, the one that is used, and the state of its port."""
    lines = ["adapters of this computer:"]
    for one in found:
        mark = "*" if one == chosen else " "
        state = "" if one.up else "  down"
        because = f"  chosen: {why}; broadcasts go to {one.broadcast}" if one == chosen else ""
        lines.append(f" {mark} {one.name:<12} {one.address:<20}{state}{because}")
    lines.append(f"   UDP port {port}: {holder}")
    return lines


def device_lines(survey: Survey, rounds: int) -> Iterator[str]:
    """Yield what was found on BACnet, device by device."""
    if not survey.devices:
        yield "no BACnet device answered -> is the mask right, is it the right adapter, is a firewall in the way?"
        yield "   devices in another network need their address: --host 192.168.20.5"
    for instance, addresses in survey.duplicates().items():
        yield f"! device instance {instance} is claimed by {' and '.join(addresses)} -> give one of them another instance"
    for device in survey.devices.values():
        yield from _device(device, rounds)


def _device(device: FoundDevice, rounds: int) -> Iterator[str]:
    told = device.properties
    announced = device.announced
    what = ", ".join(filter(None, (str(told.get(name, "")) for name in ("vendor-name", "model-name", "object-name"))))
    yield f"device {announced.instance} at {announced.address}: {what}"
    services = told.get("protocol-services-supported") or []
    has = ", ".join(f"{'' if name in services else 'no '}{name}" for name in _WORTH_KNOWING)
    yield f"   max-APDU {announced.max_apdu}, {announced.segmentation}; {has}"
    if device.listed:
        kinds = Counter(one.partition(",")[0] for one in device.object_list)
        yield f"   {len(device.object_list)} objects (list read {device.listed}): " + ", ".join(
            f"{count} {kind}" for kind, count in kinds.most_common()
        )
    heard = f"; heard in {device.rounds_heard} of {rounds} rounds" if rounds else ""
    yield f"   {announced.how}{heard}; values of {device.read_at or 'no time'}"
    if device.note:
        yield f"   {device.note}"
    if device.trouble:
        yield f"   ! not read to the end: {device.trouble} -> run the same command again, it goes on from here"
    yield from _held(device)


def _held(device: FoundDevice) -> Iterator[str]:
    held = [one for one in device.objects.values() if one.priorities]
    for one in held[:HELD_SHOWN]:
        entries = ", ".join(f"{value} at priority {at}" for at, value in one.priorities)
        yield f"   held: {one.name or one.identifier} ({one.identifier}) = {entries}"
    if len(held) > HELD_SHOWN:
        yield f"   … and {len(held) - HELD_SHOWN} more with an entry in their priority array"


def unit_lines(survey: Survey) -> Iterator[str]:
    """Yield the Modbus units that answered, and those that did not in one line per gateway."""
    for address in dict.fromkeys(unit.address for unit in survey.units.values()):
        units = [unit for unit in survey.units.values() if unit.address == address]
        for unit in units:
            if unit.there:
                who = f" ({unit.identity})" if unit.identity else ""
                yield f"unit {unit.unit} at {address}{who}: {unit.said}{_registers(unit)}"
        silent: dict[str, list[int]] = {}
        for unit in units:
            if not unit.there:
                silent.setdefault(unit.said.replace(f"unit {unit.unit}", "the unit"), []).append(unit.unit)
        for said, numbers in silent.items():
            yield f"{len(numbers)} unit(s) at {address} are not there ({spans(numbers)}): {said}"


_CALLED: Final = {
    "holding": "holding registers", "input": "input registers", "coil": "coils", "discrete": "discrete inputs",
}  # fmt: skip


def _registers(unit: FoundUnit) -> str:
    parts = [f"{len(words)} {_CALLED[table]}" for table, words in unit.tables.items() if words]
    early = [f"{table} {text}" for table, text in unit.swept.items() if ": " in text]
    return "".join(f"; {text}" for text in (*parts, *(f"ended early: {text}" for text in early)))


def spans(numbers: Sequence[int]) -> str:
    """Return numbers in ascending order with runs drawn together: ``1-3, 7``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)


def silent_lines(silent: Mapping[str, str]) -> Iterator[str]:
    """Yield the given addresses that did not answer."""
    for address, why in silent.items():
        yield f"! {address}: {why}" + (
            "" if "->" in why else " -> is it switched on, is the address and the port right?"
        )


def suggestion_lines(found: Sequence[Row]) -> Iterator[str]:
    """Yield how much was proposed, and which units are doubted."""
    proposed = [row for row in found if row.suggestion.equipment]
    sure = sum(row.suggestion.confidence > 0.9 for row in proposed)
    yield f"proposed {len(proposed)} of {len(found)} rows, {sure} of them with a confidence above 0.9; accept each yourself"
    doubts = [row for row in found if row.doubt]
    for row in doubts[:DOUBTS_SHOWN]:
        what = f"{row.suggestion.equipment}.{row.suggestion.measurement}"
        yield f"? {row.device} {row.seen.identifier} ({what}): {row.doubt}"
    if len(doubts) > DOUBTS_SHOWN:
        yield f"  … and {len(doubts) - DOUBTS_SHOWN} more doubted units in suggestions.csv"
