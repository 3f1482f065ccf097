"""Numbers for flows that nobody meters, where the balance of a header leaves no choice.

What enters a header leaves it. A header's own flow point is used only where one stage
enters and one leaves, because elsewhere it is not known on which side of a tee it sits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from plantview.derive.conditions_observed import Observed
from plantview.derive.flows_paths import Path
from plantview.model.plant import Loop

ROUNDS_MAX: Final = 32
"""Each round finds at least one number or ends; loops have fewer headers and stages than this."""


@dataclass(slots=True)
class Balance:
    """Known flows of one loop, L/s, and what follows from them."""

    loop: Loop
    by_path: dict[str, float]
    """Measured flows and standing branches (0)."""
    groups: Mapping[str, tuple[Path, ...]]
    totals: dict[str, float] = field(default_factory=dict)
    """Total of each stage or bypass."""
    scale: dict[str, float] = field(default_factory=dict)
    """For flows found here: the greatest flow that entered the balance, the scale of its error."""

    def solve(self, observed: Observed) -> None:
        """Fill in every number that follows."""
        for header in self.loop.headers:
            self._take_header_meter(observed, header)
        for _ in range(ROUNDS_MAX):
            before = len(self.totals) + len(self.by_path)
            for group in self.groups:
                self._within(group)
            for header in self.loop.headers:
                self._at(header)
            if len(self.totals) + len(self.by_path) == before:
                break

    def _take_header_meter(self, observed: Observed, header: str) -> None:
        flow_l_s = observed.number(header, "flow")
        into, out = self._into(header), self._out_of(header)
        if flow_l_s is None or len(into) != 1 or len(out) != 1:
            return
        for group in (*into, *out):
            # equipment meters are nearer to the branch than the header's
            if not all(path.key in self.by_path for path in self.groups[group]):
                self.totals[group] = flow_l_s

    def _within(self, group: str) -> None:
        """Carry between the branches of a stage and their total."""
        branches = self.groups[group]
        unknown = [path for path in branches if path.key not in self.by_path]
        known = [self.by_path[path.key] for path in branches if path.key in self.by_path]
        if not unknown:
            self.totals.setdefault(group, sum(known))
        elif len(unknown) == 1 and group in self.totals:
            key = unknown[0].key
            self.by_path[key] = self.totals[group] - sum(known)
            self.scale[key] = max(self.scale.get(group, 0.0), abs(self.totals[group]))

    def _at(self, header: str) -> None:
        """Find the one total at a header that is not known yet."""
        into, out = self._into(header), self._out_of(header)
        unknown = [group for group in (*into, *out) if group not in self.totals]
        if len(unknown) != 1:
            return
        group = unknown[0]
        gain = sum(self.totals[name] for name in into if name != group)
        loss = sum(self.totals[name] for name in out if name != group)
        self.totals[group] = gain - loss if group in out else loss - gain
        self.scale[group] = max(abs(gain), abs(loss))

    def _into(self, header: str) -> list[str]:
        return [group for group, branches in self.groups.items() if branches[0].end == header]

    def _out_of(self, header: str) -> list[str]:
        return [group for group, branches in self.groups.items() if branches[0].start == header]
