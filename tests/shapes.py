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


def air_cooled(chillers: int = 2, *, tank: bool = True) -> Description:
    """Return air-cooled chillers, with a buffer tank if wanted: one loop only."""
    plant = Description(f"{chillers} air cooled")
    names = plant.add("chiller", *_numbered("CH", chillers), more=', cooling = "air"')
    pumps = plant.add("pump", *_numbered("CHWP", chillers))
    headers, stages = ["chw-return", "chw-supply"], []
    if tank:
        plant.add("tank", "TK-1")
        headers.insert(1, "tank-out")
        stages.append(stage("buffer", "tank", "chw-return", "tank-out", ["TK-1"]))
    branches = [[pump, f"{name}.evaporator"] for pump, name in zip(pumps, names, strict=True)]
    stages.append(stage("chillers", "chiller", headers[-2], "chw-supply", *branches))
    plant.loop("chilled", "chw-return", headers, [*stages, _coils(plant, 1, "chw-supply", "chw-return")])
    return plant


def economiser_beside() -> Description:
    """Return an exchanger beside the chillers on both loops, closed-circuit towers, pumps after the evaporators."""
    plant = Description("economiser beside the chillers")
    names = plant.add("chiller", *_numbered("CH", 2))
    plant.add("heat_exchanger", "HX-1")
    pumps = plant.add("pump", *_numbered("CHWP", 3))
    condenser_pumps = plant.add("pump", *_numbered("CWP", 2))
    plant.add("tower_cell", "CT-1", "CT-2", more=', type = "closed"')
    plant.add("valve", "V-HX1", "V-HX1C")
    plant.loop(
        "chilled",
        "chw-return",
        ["chw-return", "chw-out", "chw-supply"],
        [
            stage("chillers", "chiller", "chw-return", "chw-out", *[[f"{name}.evaporator"] for name in names]),
            stage("economiser", "heat_exchanger", "chw-return", "chw-out", ["HX-1.warm", "V-HX1"]),
            stage("pumps", "pump", "chw-out", "chw-supply", *[[pump] for pump in pumps]),
            _coils(plant, 3, "chw-supply", "chw-return"),
        ],
    )
    plant.loop(
        "condenser",
        "cws",
        ["cws", "cwp-out", "cwr"],
        [
            stage("cw-pumps", "pump", "cws", "cwp-out", *[[pump] for pump in condenser_pumps]),
            stage("condensers", "chiller", "cwp-out", "cwr", *[[f"{name}.condenser"] for name in names]),
            stage("economiser-cw", "heat_exchanger", "cwp-out", "cwr", ["HX-1.cool", "V-HX1C"]),
            stage("towers", "tower_cell", "cwr", "cws", ["CT-1"], ["CT-2"]),
        ],
    )
    return plant


def remote_sump() -> Description:
    """Return towers that drain into a sump indoors, isolation valves at every cell and condenser."""
    plant = Description("remote sump")
    plant.add("chiller", *_numbered("CH", 2))
    plant.add("pump", "CHWP-1", "CHWP-2", "CWP-1", "CWP-2")
    plant.add("tower_cell", "CT-1", "CT-2", "CT-3")
    plant.add("tank", "SUMP")
    plant.add("valve", "V-CT1", "V-CT2", "V-CT3", "V-CW1", "V-CW2", "V-TB")
    evaporators = [["CHWP-1", "CH-1.evaporator"], ["CHWP-2", "CH-2.evaporator"]]
    plant.loop(
        "chilled",
        "chw-return",
        ["chw-return", "chw-supply"],
        [
            stage("chillers", "chiller", "chw-return", "chw-supply", *evaporators),
            _coils(plant, 2, "chw-supply", "chw-return"),
        ],
    )
    condensers = [["CWP-1", "CH-1.condenser", "V-CW1"], ["CWP-2", "CH-2.condenser", "V-CW2"]]
    plant.loop(
        "condenser",
        "sump-out",
        ["sump-out", "cwr", "drain"],
        [
            stage("condensers", "chiller", "sump-out", "cwr", *condensers),
            stage("towers", "tower_cell", "cwr", "drain", *[[f"V-CT{n}", f"CT-{n}"] for n in (1, 2, 3)]),
            stage("sump", "tank", "drain", "sump-out", ["SUMP"]),
        ],
        [bypass("tower-bypass", "cwr", "drain", "V-TB")],
        open_header="sump-out",
    )
    return plant


def two_basins() -> Description:
    """Return two towers with a basin each, joined by an equaliser, and a pump at each basin."""
    plant = Description("two basins with an equaliser")
    plant.add("chiller", "CH-1", "CH-2")
    plant.add("pump", "CHWP-1", "CHWP-2", "CWP-1", "CWP-2")
    plant.add("tower_cell", "CT-1", "CT-2")
    plant.loop(
        "chilled",
        "chw-return",
        ["chw-return", "chw-supply"],
        [
            stage(
                "chillers",
                "chiller",
                "chw-return",
                "chw-supply",
                ["CHWP-1", "CH-1.evaporator"],
                ["CHWP-2", "CH-2.evaporator"],
            ),
            _coils(plant, 2, "chw-supply", "chw-return"),
        ],
    )
    plant.loop(
        "condenser",
        "cwr",
        ["cwr", "basin-1", "basin-2", "cwp-out"],
        [
            stage("tower-1", "tower_cell", "cwr", "basin-1", ["CT-1"]),
            stage("tower-2", "tower_cell", "cwr", "basin-2", ["CT-2"]),
            stage("pump-1", "pump", "basin-1", "cwp-out", ["CWP-1"]),
            stage("pump-2", "pump", "basin-2", "cwp-out", ["CWP-2"]),
            stage("condensers", "chiller", "cwp-out", "cwr", ["CH-1.condenser"], ["CH-2.condenser"]),
        ],
        [bypass("equaliser", "basin-1", "basin-2", either_way=True)],
        open_header="basin-1",
    )
    return plant


def series_pairs() -> Description:
    """Return four chillers in two pairs in series, each pair with its own pumps."""
    plant = Description("two pairs in series")
    plant.add("chiller", *_numbered("CH", 4))
    plant.add("pump", "CHWP-1", "CHWP-2", "CWP-1", "CWP-2")
    plant.add("tower_cell", *_numbered("CT", 2))
    plant.loop(
        "chilled",
        "chw-return",
        ["chw-return", "chw-supply"],
        [
            stage(
                "chillers",
                "chiller",
                "chw-return",
                "chw-supply",
                ["CHWP-1", "CH-1.evaporator", "CH-2.evaporator"],
                ["CHWP-2", "CH-3.evaporator", "CH-4.evaporator"],
            ),
            _coils(plant, 3, "chw-supply", "chw-return"),
        ],
    )
    plant.loop(
        "condenser",
        "basin",
        ["basin", "cwr"],
        [
            stage(
                "condensers",
                "chiller",
                "basin",
                "cwr",
                ["CWP-1", "CH-2.condenser", "CH-1.condenser"],
                ["CWP-2", "CH-4.condenser", "CH-3.condenser"],
            ),
            stage("towers", "tower_cell", "cwr", "basin", ["CT-1"], ["CT-2"]),
        ],
        open_header="basin",
    )
    return plant


def long_names() -> Description:
    """Return the two-by-two plant with names as a ministry would give them."""
    plant = primary_only(2, 2)
    for name, row in plant.equipment.items():
        label = f"{name} in the lower machine room of the eastern annexe, unit number {name[-1]}"
        plant.equipment[name] = row.replace(" }", f', label = "{label}" }}')
    plant.name = "a plant with very long names"
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
    "one air cooled": lambda: air_cooled(1, tank=False),
    "air cooled": air_cooled,
    "economiser beside": economiser_beside,
    "remote sump": remote_sump,
    "two basins": two_basins,
    "series pairs": series_pairs,
    "long names": long_names,
    "heat recovery": heat_recovery,
    "twelve chillers": lambda: primary_only(12, 12, headered=True),
}


def read_shape(name: str, folder: Path) -> tuple[Plant | None, list[Problem]]:
    """Write a shape into a folder and read it back."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(SHAPES[name]().text(), encoding="utf-8")
    (folder / "points.csv").write_text("equipment,measurement,device,address\n", encoding="utf-8")
    return read_plant(folder)
