"""How long a machine has stood, where its own controller does not say how long it must: a motor cools between two starts."""

from __future__ import annotations

from plantview.commands.conditions import OFF
from plantview.commands.site import Site
from plantview.errors import CommandRefused
from plantview.model.permit import Permit
from plantview.model.point import Point


class Standstill:
    """Watches the run status of machines whose permits ask for a standstill before a start."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._ran_s: dict[str, float] = {}
        """When a machine was last seen running, or not known to stand; at first, when watching began."""

    def watch(self) -> None:
        """Look once; what is not known to stand counts as running."""
        now_s, frame = self._site.clock.monotonic_s(), self._site.frame()
        for name, permit in self._site.permits.items():
            equipment = self._site.point(name).equipment
            status = frame.reading(f"{equipment}.status")
            stands = status.usable and status.value == OFF
            if permit.restart_s and not (stands and equipment in self._ran_s):
                self._ran_s[equipment] = now_s

    def check(self, permit: Permit, point: Point, value: float) -> None:
        """Refuse a start that comes too soon after the machine ran."""
        if not permit.restart_s or value == OFF:
            return
        now_s = self._site.clock.monotonic_s()
        stood_s = now_s - self._ran_s.get(point.equipment, now_s)
        if stood_s < permit.restart_s:
            raise CommandRefused(
                "restart",
                f"{point.equipment} is known to stand for {stood_s / 60:.0f} min; {permit.restart_s / 60:.0f} min are required",
            )
