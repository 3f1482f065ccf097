"""What a plant description may say that cannot be simulated yet; each is named, nothing is guessed."""

from __future__ import annotations

from typing import Final

from plantview.simulator.sizing import Sizes

MODELLED: Final = frozenset({"chiller", "pump", "valve", "coil", "tower_cell", "heat_exchanger", "tank"})
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
    chilled = [loop for loop in sizes.plant.loops.values() if loop.water == "chilled"]
    for loop in chilled[1:]:
        sizes.lack(
            f"loops.{loop.id}",
            f"the simulator runs one chilled water loop, and this is another beside {chilled[0].id}",
            "describe the other as a plant of its own",
        )
    for loop in sizes.plant.loops.values():
        if loop.fluid not in {"", "water"}:
            sizes.lack(
                f"loops.{loop.id}", f"the simulator knows water, not {loop.fluid}", 'simulate it with fluid = "water"'
            )
        for stage in loop.stages:
            for port in stage.ports():
                kind = sizes.plant.equipment[port.equipment].kind
                if kind not in MODELLED:
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
            air_cooled = {"condenser"} if item.traits.get("cooling") == "air" else set()
            for missing in sorted(sides - found - air_cooled):
                sizes.lack(
                    f"equipment.{item.id}",
                    f"the simulator needs its {missing} side in a loop",
                    f"put {item.id}.{missing} into a branch of a loop",
                )
