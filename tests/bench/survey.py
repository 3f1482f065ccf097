"""How much a survey finds, and how good its suggestions are on four invented naming styles.

Found: what the simulated plants and the independent servers of ``tests/interop`` hold, all of it.
Right: equipment and measurement are those of the list, and nothing is proposed for what is no part of the
plant. Styles a and b were open while the suggester was written; c and d were written before it, by
the same hand, and not used to improve it: the figure says nothing about lists of other people.
"""

from __future__ import annotations

import asyncio
import csv
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

CHECKOUT: Final = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(CHECKOUT))

from plantview.config import load_plant  # noqa: E402
from plantview.config.ports import free_port  # noqa: E402
from plantview.model.plant import Adapter, Plant  # noqa: E402
from plantview.model.point import BacnetAddress, Point  # noqa: E402
from plantview.simulator.devices import rig  # noqa: E402
from plantview.surveying.conduct import Order, survey_bacnet, survey_modbus  # noqa: E402
from plantview.surveying.results import Survey  # noqa: E402
from plantview.surveying.suggest import Seen, Suggestion, suggest_all  # noqa: E402
from tests.interop.driver_contract import PEERS, POINTS  # noqa: E402
from tests.interop.simulated import StillPlant, on_free_ports  # noqa: E402

STYLES: Final = CHECKOUT / "tests" / "unit" / "naming_styles"
OPEN: Final = ("style_a_abbreviated", "style_b_plain_words")
KEPT: Final = ("style_c_camel_paths", "style_d_coded_terse")
RIGHT_MIN: Final = 0.85
SURE: Final = 0.9
Change = Callable[[dict[str, str]], dict[str, str]]


@dataclass(frozen=True)
class Outcome:
    """One row of a list and what was proposed for it."""

    name: str
    wanted: tuple[str, str]
    got: Suggestion

    @property
    def right(self) -> bool:
        return (self.got.equipment, self.got.measurement) == self.wanted


def rows_of(style: str) -> list[dict[str, str]]:
    """Return the rows of a list."""
    with (STYLES / f"{style}.csv").open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def outcomes(style: str, change: Change = dict) -> list[Outcome]:
    """Return what is proposed for every row of a list, each changed first."""
    rows = rows_of(style)
    seen = [change(row) for row in rows]
    proposed = suggest_all([
        Seen(row["name"], row["description"], row["object"], row["unit"], tuple(filter(None, row["states"].split("|"))))
        for row in seen
    ])  # fmt: skip
    return [
        Outcome(row["name"], (row["equipment"], row["measurement"]), got)
        for row, got in zip(rows, proposed, strict=True)
    ]


def without_unit(row: dict[str, str]) -> dict[str, str]:
    """Return a row as a careless controller serves it."""
    return {**row, "unit": "no-units"}


def in_small_letters(row: dict[str, str]) -> dict[str, str]:
    """Return a row whose name has lost its capitals, the boundaries of its words with them."""
    return {**row, "name": row["name"].lower(), "description": row["description"].lower()}


def right_share(found: list[Outcome]) -> float:
    """Return the share of rows that are right."""
    return sum(one.right for one in found) / len(found)


def wrong_though_sure(found: list[Outcome]) -> int:
    """Return how many rows are wrong with a confidence above 0.9."""
    return sum(not one.right and one.got.confidence > SURE for one in found)


async def found_in_simulated_plants() -> dict[str, tuple[int, int]]:
    """Return, per plant, how many objects and registers of its description a survey found, of how many."""
    found: dict[str, tuple[int, int]] = {}
    for name in ("larkfield", "orchard"):
        plant = on_free_ports(load_plant(CHECKOUT / "config" / name))
        survey = Survey()
        hosts = tuple(one.address for one in plant.devices.values() if one.protocol == "bacnet")
        gateways = tuple({(one.host, one.port) for one in plant.devices.values() if one.protocol == "modbus"})
        order = Order(hosts=hosts, modbus=gateways, units=tuple(range(1, 21)), registers=(0, 200))
        async with rig(plant, StillPlant(plant)):
            await survey_bacnet(order, _adapter(), survey, _nothing, _unheard, 1.0)
            await survey_modbus(order, survey, _nothing, _unheard)
        found[f"points found, {name}"] = (
            sum(_has(survey, plant, point) for point in plant.points.values()),
            len(plant.points),
        )
    return found


def _has(survey: Survey, plant: Plant, point: Point) -> bool:
    device, address = plant.devices[point.device], point.address
    if isinstance(address, BacnetAddress):
        one = survey.devices[f"{device.unit}@{device.address}"].objects.get(str(address))
        return one is not None and one.name == point.name and one.value is not None
    words = survey.units[f"{device.address}/{device.unit}"].tables.get(address.table, {})
    return all(at in words for at in range(address.first, address.first + address.count))


async def found_in_peers() -> dict[str, tuple[int, int]]:
    """Return, per independent server, how many of its points a survey found, of how many."""
    found: dict[str, tuple[int, int]] = {}
    for name, make in PEERS.items():
        peer = make()
        await peer.start()
        survey = Survey()
        try:
            if peer.device.protocol == "bacnet":
                await survey_bacnet(Order(hosts=(peer.device.address,)), _adapter(), survey, _nothing, _unheard, 1.0)
                objects = [one for device in survey.devices.values() for one in device.objects.values()]
                count = sum(one.value == 10.0 * int(one.name[1:]) for one in objects if one.kind == "analog-input")
            else:
                order = Order(modbus=((peer.device.host, peer.device.port),), units=(1,), registers=(1, POINTS))
                await survey_modbus(order, survey, _nothing, _unheard)
                words = [unit.tables["holding"] for unit in survey.units.values()]
                count = sum(word == 10 * at for table in words for at, word in table.items())
        finally:
            await peer.stop()
        found[f"points found, {name}"] = (count, POINTS)
    return found


def _adapter() -> Adapter:
    return Adapter("127.0.0.1/8", free_port(socket.SOCK_DGRAM))


def _nothing() -> None:
    """Keep nothing."""


def _unheard(what: str, done: int, whole: int) -> None:
    """Say nothing."""


def row(name: str, measured: str, against: str, ratio: str, goal: str, met: bool) -> None:
    """Print one figure."""
    print(f"{name:<36}{measured:>9}  {against:<20}{ratio:>7}  {goal:<8}{'ok' if met else 'short'}")


def main() -> None:
    """Print one row per figure."""
    print(f"{'name':<36}{'measured':>9}  {'compared with':<20}{'ratio':>7}  goal")
    for name, (count, there) in (asyncio.run(found_in_simulated_plants()) | asyncio.run(found_in_peers())).items():
        row(name, f"{count}", f"{there} there", f"{count / there:.2f}", "all", count == there)
    kept = [one for style in KEPT for one in outcomes(style)]
    base = right_share([one for style in OPEN for one in outcomes(style)])
    figures = {
        "right, kept lists": kept,
        **{f"right, {style}": outcomes(style) for style in KEPT},
        "right, kept lists in small letters": [one for style in KEPT for one in outcomes(style, in_small_letters)],
        "right, kept lists without units": [one for style in KEPT for one in outcomes(style, without_unit)],
    }
    for name, found in figures.items():
        share = right_share(found)
        row(name, f"{share:.3f}", f"open lists {base:.3f}", f"{share / base:.2f}", ">= 0.85", share >= RIGHT_MIN)
        wrong = wrong_though_sure(found)
        row(f"  wrong above {SURE} confidence", f"{wrong}", f"{len(found)} rows", "", "0", wrong == 0)
    if "--wrong" in sys.argv:
        for one in [one for found in figures.values() for one in found if not one.right]:
            print(f"  {one.name}: wanted {' '.join(one.wanted) or 'nothing'}, got {one.got}")


if __name__ == "__main__":
    main()
