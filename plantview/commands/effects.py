"""Whether equipment follows: the signal that a permit names must take the ordered value within its time."""

from __future__ import annotations

from plantview.commands.keeper import Keeper
from plantview.commands.override import Override
from plantview.commands.site import Site
from plantview.commands.table import State

FOLLOWS = "follows"


def watch_effects(site: Site, keeper: Keeper) -> None:
    """Note for each override that has an effect to be seen whether it came, once."""
    now_s = site.clock.monotonic_s()
    for one in keeper.overrides.values():
        if one.effect_due_s is None or one.state is not State.HELD:
            continue
        permit = site.permits.get(one.point)
        if permit is None or permit.effect not in site.signals:
            one.effect_due_s = None
        elif _came(site, one, permit.effect, permit.tolerance):
            _note(site, one, f"{permit.effect} {FOLLOWS}")
        elif now_s >= one.effect_due_s:
            _note(site, one, f"no response of {permit.effect} in {permit.effect_within_s:.0f} s")


def _came(site: Site, one: Override, effect: str, tolerance: float) -> bool:
    reading = site.frame().reading(effect)
    if not reading.usable or reading.value is None:
        return False
    point, signal = site.point(one.point), site.signals[effect]
    if point.states:
        return (reading.value != 0) == (one.value != 0)
    if signal.quantity != point.quantity:
        return False
    return abs(point.unit.from_canonical(signal.unit.to_canonical(reading.value)) - one.value) <= tolerance


def _note(site: Site, one: Override, text: str) -> None:
    one.effect, one.effect_due_s = text, None
    site.tell("effect", point=one.point, result=text)
