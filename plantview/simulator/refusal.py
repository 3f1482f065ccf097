"""What a plant description may say that cannot be simulated yet; each is named, nothing is guessed."""

from __future__ import annotations

from typing import Final

from plantview.simulator.sizing import Sizes

MODELLED: Final = frozenset({"chiller", "pump", "valve", "coil", "tower_cell", "heat_exchanger"})
TWO_SIDED: Final = {"chiller": {"evaporator", "condenser"}, "heat_exchanger": {"warm", "cool"}}
SITE: Final = ("dry_bulb_mean", "dry_bulb_swing", "dew_point", "load_low", "load_high", "peak_hour")


def refuse_unmodelled(sizes: Sizes) -> None:
    """Raise ConfigError that lists everything that this simulator does not model."""
    _refuse_loops(sizes)
    _refuse_one_sided(sizes)
    for key in SITE:
        if key not in sizes.plant.simulation:
            sizes.lack("simulation", f"a simulated plant needs {key}", f"add {key} to [simulation]")
    sizes.refuse()


def _refuse_loops(sizes: Sizes) -> None:
    for loop in sizes.plant.loops.values():
        if loop.fluid not in {"", "water"}:
            sizes.lack(
                f"loops.{loop.id}", f"the simulator knows water, not {loop.fluid}", 'simulate it with fluid = "water"'
            )
        for stage in loop.stages:
            for port in stage.ports():
                kind = sizes.plant.equipment[port.equipment].kind
                if kind not in MODELLED or port.side == "recovery":
                    what = f"{kind.replace('_', ' ')} {port.side}".rstrip()
                    sizes.lack(
                        f"equipment.{port.equipment}",
                        f"the simulator does not know a {what}",
                        "leave it out of the plant that is simulated",
                    )


def _refuse_one_sided(sizes: Sizes) -> None:
    loops = sizes.plant.loops.values()
    for kind, sides in TWO_SIDED.items():
        for item in sizes.plant.of_kind(kind):
            found = {
                port.side
                for loop in loops
                for stage in loop.stages
                for port in stage.ports()
                if port.equipment == item.id
            }
            for missing in sorted(sides - found):
                sizes.lack(
                    f"equipment.{item.id}",
                    f"the simulator needs its {missing} side in a loop",
                    f"put {item.id}.{missing} into a branch of a loop",
                )
