"""Distances of a layout in drawing units: of the flow diagram with all its values, and of the overview of a large plant.

Both are laid out by the same rules: stages along one axis, lanes along the other. The overview is then turned, so
that its lanes run across the screen and heat climbs to its top.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from plantview.model.plant import Plant
from plantview.web.schematic import sizes
from plantview.web.schematic.labels import wrapped


@dataclass(frozen=True, slots=True)
class Measures:
    """What a layout leaves between its parts."""

    pitch: Mapping[str, float]
    """Least lane width of each kind; others take that of a pump."""
    offset: Mapping[str, float]
    """From a lane's middle to its two ports."""
    ends: Mapping[str, float]
    """What the machines at the ends of loops take along the stages."""
    zone: Mapping[str, float]
    """Room beside an end machine for its valves, temperatures and flow."""
    column: float
    """What a column of pumps takes along the stages."""
    column_under_valves: float
    """The same where a valve's link crosses it: the labels of the valve need the length."""
    main_step: float
    """Between two mains in one gap."""
    linked_step: float
    valved_step: float
    """Between two mains in one gap that a bypass joins, without and with a valve in it."""
    gap_pad: float
    series: float
    """More room beside end machines in series, for the pipe from one to the next."""
    exchanger_gap: Mapping[bool, float]
    """Between the chillers' lanes and those of the heat exchangers, without and with a bypass around one."""
    exchanger_link: float
    """From the upper port of a heat exchanger to the bypass around it."""
    deck_gap: float
    """Between the plant and a loop of hot water beside it: room for bypasses and plates."""
    level_above: float
    level_below: float
    """Between two links above and below the lanes."""
    nearest: Mapping[str, float]
    """From the lanes to the first link ``above`` and ``below``, and ``below pumps``, whose texts reach further."""
    aspect: float = 0.0
    """Small plants are spread out to this ratio of width to height; zero: they are not."""
    with_texts: bool = False
    """Whether lanes widen for names in two lines and for rows of fans."""

    def lane(self, plant: Plant, kind: str, names: list[str]) -> float:
        """Return the lane width that the machines of a kind need."""
        usual = self.pitch.get(kind, self.pitch["pump"])
        if not self.with_texts:
            return usual
        if kind == "tower_cell":
            return usual + max((tower_more(plant, name) for name in names), default=0.0)
        return usual + pump_more(plant) * (kind in ("pump", "chiller"))


def tower_more(plant: Plant, cell: str) -> float:
    """Return what a tower cell takes beyond the usual height: for its third and fourth fan, for a second line of name."""
    fans = min(len(plant.parts_of(cell, "fan")), sizes.FANS_MAX)
    lines = wrapped(plant.equipment[cell].label, sizes.TOWER_W - 48, sizes.NAME - 2, bold=True)
    return sizes.FAN_ROW * max(0, fans - 2) + sizes.LINE * (sizes.NAME - 2) * (len(lines) - 1)


def pump_more(plant: Plant) -> float:
    """Return what the texts of a pump take beyond the usual: a second line of name where any pump has one."""
    names = (wrapped(item.label, sizes.PUMP_TEXT_W, sizes.STATE, bold=True) for item in plant.of_kind("pump"))
    return sizes.LINE * sizes.STATE * (max((len(lines) for lines in names), default=1) - 1)


WALL: Final = Measures(
    pitch={
        "chiller": 220.0,
        "tower_cell": 220.0,
        "coil": 182.0,
        "pump": 176.0,
        "heat_exchanger": 204.0,
        "recovery": 204.0,
    },
    offset={"chiller": 56.0, "tower_cell": 56.0, "coil": 40.0, "heat_exchanger": 40.0, "recovery": 40.0},
    ends={"chiller": sizes.CHILLER_W, "tower_cell": sizes.TOWER_W, "coil": sizes.COIL_W + sizes.COIL_TEXT_W},
    zone={"chiller": 160.0, "tower_cell": 158.0, "coil": 182.0},
    column=150.0,
    column_under_valves=220.0,
    main_step=60.0,
    linked_step=166.0,
    valved_step=206.0,
    gap_pad=19.0,
    series=44.0,
    exchanger_gap={False: 24.0, True: 132.0},
    exchanger_link=72.0,
    deck_gap=300.0,
    level_above=114.0,
    level_below=56.0,
    nearest={"above": 46.0, "below": 42.0, "below pumps": 72.0},
    aspect=2.4,
    with_texts=True,
)

TILE_LANE: Final = 184.0
"""Lane width of the overview: a machine's tile and what separates it from the next."""

OVERVIEW: Final = Measures(
    pitch=dict.fromkeys(("chiller", "tower_cell", "coil", "pump", "heat_exchanger", "recovery"), TILE_LANE),
    offset=dict.fromkeys(("chiller", "tower_cell", "coil", "heat_exchanger", "recovery"), TILE_LANE / 4),
    ends={"chiller": 176.0, "tower_cell": 126.0, "coil": 88.0},
    zone={"chiller": 20.0, "tower_cell": 20.0, "coil": 20.0},
    column=88.0,
    column_under_valves=88.0,
    main_step=54.0,
    linked_step=100.0,
    valved_step=100.0,
    gap_pad=30.0,
    series=44.0,
    exchanger_gap={False: 20.0, True: 230.0},
    exchanger_link=60.0,
    deck_gap=460.0,
    level_above=228.0,
    level_below=228.0,
    nearest={"above": 40.0, "below": 40.0, "below pumps": 40.0},
)


def overview_of(plant: Plant) -> Measures:
    """Return the distances of a plant's overview: its towers are as tall as their fans need."""
    fans = max(
        (min(len(plant.parts_of(cell.id, "fan")), sizes.FANS_MAX) for cell in plant.of_kind("tower_cell")), default=1
    )
    tower = OVERVIEW.ends["tower_cell"] + sizes.FAN_ROW * max(0, fans - 1)
    return replace(OVERVIEW, ends={**OVERVIEW.ends, "tower_cell": tower})
