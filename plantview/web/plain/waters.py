"""What the flows say about a value: whether its water stands still, and which way it goes where it may go either way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from plantview.model.plant import Plant
from plantview.model.services import WORDS, ends_of
from plantview.web.plain.words import Shown
from plantview.web.schematic.placing import MEASURED
from plantview.web.schematic.plates import flows_at


@dataclass(frozen=True, slots=True)
class Waters:
    """The flows that matter to the values of one plant."""

    moved_by: Mapping[str, tuple[str, ...]]
    """Temperature of water -> the flows without which it is that of standing water."""
    either_way: Mapping[str, tuple[str, str, str]]
    """Flow -> its key, and what stands at its start and at its end, in words."""

    def stands(self, name: str, flows: Mapping[str, Sequence[Any]]) -> bool:
        """Return whether every flow that would move this water is known to be still."""
        keys = self.moved_by.get(name, ())
        return bool(keys) and all(key in flows and flows[key][1] is False for key in keys)

    def directed(self, name: str, shown: Shown, flows: Mapping[str, Sequence[Any]]) -> str:
        """Return a value in words; a flow that may go either way says where it goes, and whether that is inferred."""
        if name not in self.either_way or shown.mark == "bad":
            return shown.text
        key, start, end = self.either_way[name]
        inferred = ", inferred" if (flows.get(key) or (None, None, ""))[2] == "inferred" else ""
        if not float(shown.number):
            return shown.text + inferred
        towards = start if shown.number.startswith("-") else end
        return f"{shown.text.removeprefix('-')} to {WORDS.get(towards, towards)}{inferred}"


def waters_of(plant: Plant) -> Waters:
    """Return the flows of a plant."""
    moved: dict[str, tuple[str, ...]] = {}
    either: dict[str, tuple[str, str, str]] = {}
    for loop in plant.loops.values():
        for header in loop.headers:
            moved[f"{header}.temp"] = tuple(flows_at(loop, header).split())
        for stage in loop.stages:
            for index, branch in enumerate(stage.branches):
                for port in branch:
                    kind = plant.equipment[port.equipment].kind
                    for measured in MEASURED.get((kind, port.side), ())[:2]:
                        moved[f"{port.equipment}.{measured}"] = (f"{loop.id}/{stage.id}/{index}",)
        for bypass in loop.bypasses:
            if bypass.either_way:
                either[f"{bypass.id}.flow"] = (f"{loop.id}/{bypass.id}", *ends_of(loop, bypass))
    return Waters(moved, either)
