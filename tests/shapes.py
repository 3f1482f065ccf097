"""Plant descriptions of many arrangements, written out as a person would write them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from plantview.config import read_plant
from plantview.errors import Problem
from plantview.model.plant import Plant

HEAD = 'schema = 1\n[plant]\nname = "{name}"\nunits = "ip"\n'


@dataclass
class Description:
    """A plant.toml in the making."""

    name: str
    equipment: dict[str, str] = field(default_factory=dict)
    loops: list[str] = field(default_factory=list)

    def add(self, kind: str, *names: str, more: str = "") -> Sequence[str]:
        """Add equipment of one kind; return the names."""
        for name in names:
            self.equipment[name] = f'{name} = {{ kind = "{kind}"{more} }}'
        return names

    def loop(
        self,
        water: str,
        start: str,
        headers: Sequence[str],
        stages: Sequence[str],
        bypasses: Sequence[str] = (),
        open_header: str = "",
    ) -> None:
        """Add a loop."""
        lines = [
            f"[loops.{water}-{len(self.loops)}]",
            f'water = "{water}"',
            f'start = "{start}"',
            f"headers = {list(headers)}".replace("'", '"'),
        ]
        if open_header:
            lines.append(f'open_header = "{open_header}"')
        lines += [
            "stages = [",
            *(f"  {stage}," for stage in stages),
            "]",
            "bypasses = [",
            *(f"  {bypass}," for bypass in bypasses),
            "]",
        ]
        self.loops.append("\n".join(lines))

    def text(self) -> str:
        """Return plant.toml."""
        return "\n".join([HEAD.format(name=self.name), "[equipment]", *self.equipment.values(), *self.loops, ""])


def stage(name: str, kind: str, start: str, end: str, *branches: Sequence[str]) -> str:
    """Return one stage as TOML."""
    rows = ", ".join("[" + ", ".join(f'"{port}"' for port in branch) + "]" for branch in branches)
    return f'{{ id = "{name}", kind = "{kind}", from = "{start}", to = "{end}", branches = [{rows}] }}'


def bypass(name: str, start: str, end: str, *via: str, either_way: bool = False) -> str:
    """Return one bypass as TOML."""
    valves = ", ".join(f'"{valve}"' for valve in via)
    return (
        f'{{ id = "{name}", from = "{start}", to = "{end}", via = [{valves}], either_way = {str(either_way).lower()} }}'
    )


def _numbered(prefix: str, count: int) -> list[str]:
    return [f"{prefix}-{number}" for number in range(1, count + 1)]


def _condenser_loop(
    plant: Description,
    chillers: Sequence[str],
    cells: int,
    *,
    headered: bool,
    pumps: int = 0,
    with_bypass: bool = True,
    fans: int = 1,
) -> None:
    towers = plant.add("tower_cell", *_numbered("CT", cells))
    for tower in towers:
        for fan in range(1, fans + 1):
            plant.add("fan", f"{tower}-FAN-{fan}", more=f', part_of = "{tower}"')
    stages, headers = [], ["basin", "cwr"]
    pump_names = plant.add("pump", *_numbered("CWP", pumps or len(chillers)))
    if headered:
        headers.insert(1, "cwp-out")
        stages.append(stage("cw-pumps", "pump", "basin", "cwp-out", *[[pump] for pump in pump_names]))
        stages.append(
            stage("condensers", "chiller", "cwp-out", "cwr", *[[f"{chiller}.condenser"] for chiller in chillers])
        )
    else:
        stages.append(
            stage(
                "condensers",
                "chiller",
                "basin",
                "cwr",
                *[[pump, f"{chiller}.condenser"] for pump, chiller in zip(pump_names, chillers, strict=True)],
            )
        )
    stages.append(stage("towers", "tower_cell", "cwr", "basin", *[[tower] for tower in towers]))
    bypasses = []
    if with_bypass:
        plant.add("valve", "V-TB")
        bypasses.append(bypass("tower-bypass", "cwr", "basin", "V-TB"))
    plant.loop("condenser", "basin", headers, stages, bypasses, "basin")


def _coils(plant: Description, count: int, start: str, end: str) -> str:
    coils = plant.add("coil", *_numbered("AHU", count))
    return stage("coils", "coil", start, end, *[[f"{coil}.coil"] for coil in coils])


def primary_only(
    chillers: int, cells: int, *, headered: bool = False, with_bypass: bool = True, fans: int = 1, coils: int = 2
) -> Description:
    """Return chillers with their own or headered pumps and one chilled loop."""
    plant = Description(f"{chillers} by {cells} primary only")
    names = plant.add("chiller", *_numbered("CH", chillers))
    pumps = plant.add("pump", *_numbered("CHWP", chillers))
    if headered:
        headers = ["chw-return", "pump-out", "chw-supply"]
        stages = [
            stage("pumps", "pump", "chw-return", "pump-out", *[[pump] for pump in pumps]),
            stage("chillers", "chiller", "pump-out", "chw-supply", *[[f"{name}.evaporator"] for name in names]),
        ]
    else:
        headers = ["chw-return", "chw-supply"]
        stages = [
            stage(
                "chillers",
                "chiller",
                "chw-return",
                "chw-supply",
                *[[pump, f"{name}.evaporator"] for pump, name in zip(pumps, names, strict=True)],
            )
        ]
    plant.loop("chilled", "chw-return", headers, [*stages, _coils(plant, coils, "chw-supply", "chw-return")])
    _condenser_loop(plant, names, cells, headered=headered, with_bypass=with_bypass, fans=fans)
    return plant


def primary_secondary(chillers: int, cells: int, secondary: int, *, tertiary: bool = False) -> Description:
    """Return headered primary pumps, a decoupler and secondary (and tertiary) pumps."""
    plant = Description(f"{chillers} by {cells} primary secondary")
    names = plant.add("chiller", *_numbered("CH", chillers))
    primary = plant.add("pump", *_numbered("PCHWP", chillers))
    second = plant.add("pump", *_numbered("SCHWP", secondary))
    headers = ["chw-return", "pri-out", "chw-supply", "sec-out"]
    stages = [
        stage("primary-pumps", "pump", "chw-return", "pri-out", *[[pump] for pump in primary]),
        stage("chillers", "chiller", "pri-out", "chw-supply", *[[f"{name}.evaporator"] for name in names]),
        stage("secondary-pumps", "pump", "chw-supply", "sec-out", *[[pump] for pump in second]),
    ]
    last = "sec-out"
    if tertiary:
        third = plant.add("pump", *_numbered("TCHWP", 2))
        headers.append("ter-out")
        stages.append(stage("tertiary-pumps", "pump", "sec-out", "ter-out", *[[pump] for pump in third]))
        last = "ter-out"
    stages.append(_coils(plant, 3, last, "chw-return"))
    plant.loop(
        "chilled", "chw-return", headers, stages, [bypass("decoupler", "chw-supply", "chw-return", either_way=True)]
    )
    _condenser_loop(plant, names, cells, headered=True)
    return plant


def variable_primary_with_economiser() -> Description:
    """Return variable primary, minimum-flow bypass and an economiser in series ahead of the chillers."""
    plant = Description("variable primary with economiser")
    plant.add("chiller", "CH-1", "CH-2")
    plant.add("heat_exchanger", "HX-1")
    plant.add("pump", "CHWP-1", "CHWP-2", "CWP-1", "CWP-2", "CWP-3")
    plant.add("valve", "V-HXB", "V-MIN", "V-HX1")
    plant.add("tower_cell", "CT-1", "CT-2")
    plant.loop(
        "chilled",
        "chw-return",
        ["chw-return", "hx-out", "pump-out", "chw-supply"],
        [
            stage("economiser", "heat_exchanger", "chw-return", "hx-out", ["V-HX1", "HX-1.warm"]),
            stage("pumps", "pump", "hx-out", "pump-out", ["CHWP-1"], ["CHWP-2"]),
            stage("chillers", "chiller", "pump-out", "chw-supply", ["CH-1.evaporator"], ["CH-2.evaporator"]),
            _coils(plant, 2, "chw-supply", "chw-return"),
        ],
        [
            bypass("hx-bypass", "chw-return", "hx-out", "V-HXB"),
            bypass("minimum-flow", "chw-supply", "chw-return", "V-MIN"),
        ],
    )
    plant.loop(
        "condenser",
        "basin",
        ["basin", "cwp-out", "cwr"],
        [
            stage("cw-pumps", "pump", "basin", "cwp-out", ["CWP-1"], ["CWP-2"], ["CWP-3"]),
            stage("condensers", "chiller", "cwp-out", "cwr", ["CH-1.condenser"], ["CH-2.condenser"]),
            stage("economiser-cw", "heat_exchanger", "cwp-out", "cwr", ["HX-1.cool"]),
            stage("towers", "tower_cell", "cwr", "basin", ["CT-1"], ["CT-2"]),
        ],
        open_header="basin",
    )
    return plant


def series_counterflow() -> Description:
    """Return two chillers in series, the condenser water the other way round."""
    plant = Description("series counterflow")
    plant.add("chiller", "CH-1", "CH-2")
    plant.add("pump", "CHWP-1", "CWP-1")
    plant.add("tower_cell", "CT-1", "CT-2")
    plant.loop(
        "chilled",
        "chw-return",
        ["chw-return", "chw-supply"],
        [
            stage("chillers", "chiller", "chw-return", "chw-supply", ["CHWP-1", "CH-1.evaporator", "CH-2.evaporator"]),
            _coils(plant, 2, "chw-supply", "chw-return"),
        ],
    )
    plant.loop(
        "condenser",
        "basin",
        ["basin", "cwr"],
        [
            stage("condensers", "chiller", "basin", "cwr", ["CWP-1", "CH-2.condenser", "CH-1.condenser"]),
            stage("towers", "tower_cell", "cwr", "basin", ["CT-1"], ["CT-2"]),
        ],
        open_header="basin",
    )
    return plant


def air_cooled() -> Description:
    """Return two air-cooled chillers and a buffer tank: one loop only."""
    plant = Description("air cooled with buffer tank")
    plant.add("chiller", "CH-1", "CH-2", more=', cooling = "air"')
    plant.add("pump", "CHWP-1", "CHWP-2")
    plant.add("tank", "TK-1")
    plant.loop(
        "chilled",
        "chw-return",
        ["chw-return", "tank-out", "chw-supply"],
        [
            stage("buffer", "tank", "chw-return", "tank-out", ["TK-1"]),
            stage(
                "chillers",
                "chiller",
                "tank-out",
                "chw-supply",
                ["CHWP-1", "CH-1.evaporator"],
                ["CHWP-2", "CH-2.evaporator"],
            ),
            _coils(plant, 1, "chw-supply", "chw-return"),
        ],
    )
    return plant


def heat_recovery() -> Description:
    """Return a chiller with a recovery condenser: three loops."""
    plant = Description("heat recovery")
    plant.add("chiller", "CH-1")
    plant.add("pump", "CHWP-1", "CWP-1", "HWP-1")
    plant.add("tower_cell", "CT-1")
    plant.add("coil", "HC-1")
    plant.loop(
        "chilled",
        "chw-return",
        ["chw-return", "chw-supply"],
        [
            stage("chillers", "chiller", "chw-return", "chw-supply", ["CHWP-1", "CH-1.evaporator"]),
            _coils(plant, 1, "chw-supply", "chw-return"),
        ],
    )
    plant.loop(
        "condenser",
        "basin",
        ["basin", "cwr"],
        [
            stage("condensers", "chiller", "basin", "cwr", ["CWP-1", "CH-1.condenser"]),
            stage("towers", "tower_cell", "cwr", "basin", ["CT-1"]),
        ],
        open_header="basin",
    )
    plant.loop(
        "hot",
        "hw-return",
        ["hw-return", "hw-supply"],
        [
            stage("recovery", "chiller", "hw-return", "hw-supply", ["HWP-1", "CH-1.recovery"]),
            stage("heating", "coil", "hw-supply", "hw-return", ["HC-1.coil"]),
        ],
    )
    return plant


SHAPES: dict[str, Callable[[], Description]] = {
    "smallest": lambda: primary_only(1, 1, with_bypass=False, coils=1),
    "two dedicated": lambda: primary_only(2, 2),
    "four by three dedicated": lambda: primary_only(4, 3),
    "three headered with four-fan cells": lambda: primary_only(3, 2, headered=True, fans=4),
    "three primary secondary": lambda: primary_secondary(3, 3, 2),
    "six primary secondary": lambda: primary_secondary(6, 6, 4),
    "tertiary": lambda: primary_secondary(2, 2, 2, tertiary=True),
    "variable primary with economiser": variable_primary_with_economiser,
    "series counterflow": series_counterflow,
    "air cooled": air_cooled,
    "heat recovery": heat_recovery,
    "twelve chillers": lambda: primary_only(12, 12, headered=True),
}


def read_shape(name: str, folder: Path) -> tuple[Plant | None, list[Problem]]:
    """Write a shape into a folder and read it back."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(SHAPES[name]().text(), encoding="utf-8")
    (folder / "points.csv").write_text("equipment,measurement,device,address\n", encoding="utf-8")
    return read_plant(folder)
