"""The derived values of one plant: bound once at load, worked out from each frame."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType

from plantview.derive.bindings import Binding, bind
from plantview.derive.budget import Accuracies
from plantview.derive.budget_columns import BudgetColumns
from plantview.derive.catalogue_bypass import bypass_rows
from plantview.derive.catalogue_chiller import chiller_rows
from plantview.derive.catalogue_exchanger import exchanger_rows
from plantview.derive.catalogue_learned import learned_cell_rows, learned_chiller_rows
from plantview.derive.catalogue_plant import PLANT, plant_rows
from plantview.derive.catalogue_tower import cell_rows
from plantview.derive.catalogue_weather import weather_rows
from plantview.derive.learned import Learned
from plantview.derive.moments import Moments
from plantview.derive.reconciliation import Reconciliation
from plantview.derive.reconciliation_sweep import ReconciliationSweep
from plantview.derive.sight import Sight
from plantview.derive.sweep import column_of
from plantview.model.columns import Column, Ints, Reasons
from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.model.reading import Batch, Frame, Reading
from plantview.model.signal import Signal


class Derivation:
    """Calculations bound to the equipment of a plant; nothing is bound whose inputs nobody measures."""

    def __init__(self, plant: Plant, learned: Learned | None = None) -> None:
        self.learned = learned or Learned()
        bound: dict[str, Binding] = {}
        unbound: dict[str, str] = {}
        bind(weather_rows(plant), PLANT, plant.points, bound, unbound)
        for chiller in plant.of_kind("chiller"):
            bind(chiller_rows(plant, chiller), chiller.id, plant.points, bound, unbound)
        for cell in plant.of_kind("tower_cell"):
            bind(cell_rows(plant, cell), cell.id, plant.points, bound, unbound)
        for exchanger in plant.of_kind("heat_exchanger"):
            bind(exchanger_rows(plant, exchanger), exchanger.id, plant.points, bound, unbound)
        bind(plant_rows(plant), PLANT, plant.points, bound, unbound)
        for bypass, row in bypass_rows(plant):
            bind((row,), bypass, plant.points, bound, unbound)
        for chiller in plant.of_kind("chiller"):
            bind(learned_chiller_rows(plant, chiller, self.learned), chiller.id, plant.points, bound, unbound)
        for cell in plant.of_kind("tower_cell"):
            bind(learned_cell_rows(plant, cell, self.learned), cell.id, plant.points, bound, unbound)
        self.accuracies = Accuracies({point.name: point.accuracy for point in plant.points.values()})
        self.bindings = tuple(with_accuracy_noted(bound, plant.points, self.accuracies))
        self.units = {point.name: point.unit for point in plant.points.values()}
        self.units.update({binding.signal.name: binding.signal.unit for binding in self.bindings})
        self.reconciliation = Reconciliation(plant, self.accuracies)
        own = {each.signal.name: each.signal for each in self.bindings}
        self.signals: Mapping[str, Signal] = MappingProxyType({**own, **self.reconciliation.signals})
        self.unbound: Mapping[str, str] = MappingProxyType(unbound)
        """Derived values that this plant cannot have -> why."""

    def sweep(self, *, uncertain: bool = False) -> Sweep:
        """Return a run over stretches of stored readings; ``uncertain`` carries the uncertainties too."""
        return Sweep(self, uncertain=uncertain)

    def run(self, frame: Frame) -> Batch:
        """Return a reading of every derived value; one that cannot be known is BAD with its reason."""
        found: dict[str, Reading] = {}
        sight = Sight(frame, self.units, found)
        # bindings stand in the order of their inputs, so each finds what it needs
        for binding in self.bindings:
            found[binding.signal.name] = binding.reading(sight, self.accuracies)
        return Batch(frame.at_ms, {**found, **self.reconciliation.take(sight)})


class Sweep:
    """One run over stretch after stretch of stored readings, oldest first, with the bindings of a live frame."""

    def __init__(self, derivation: Derivation, *, uncertain: bool) -> None:
        self._derivation, self._uncertain = derivation, uncertain
        self._reconciliation = ReconciliationSweep(derivation.reconciliation)

    def run(self, at_ms: Ints, measured: Mapping[str, Column], reasons: Reasons) -> dict[str, Column]:
        """Return a column of every derived value; ``measured`` holds one reading per point and moment.

        The moments rise. A stretch after the first begins where a quarter of an hour does.
        """
        own = self._derivation
        moments = Moments(at_ms, measured, own.units, reasons)
        budgets = BudgetColumns(own.accuracies, at_ms.size) if self._uncertain else None
        for binding in own.bindings:
            moments.found[binding.signal.name] = column_of(binding, moments, budgets)
        return {**moments.found, **self._reconciliation.run(moments)}


def with_accuracy_noted(
    bound: Mapping[str, Binding], points: Mapping[str, Point], accuracies: Accuracies
) -> Iterator[Binding]:
    """Yield the bindings; each note says for how many of its sensors nobody declared an accuracy."""
    behind: dict[str, frozenset[str]] = {}
    for name, binding in bound.items():
        inputs = binding.signal.inputs
        behind[name] = frozenset().union(*(frozenset((each,)) if each in points else behind[each] for each in inputs))
        missing = accuracies.undeclared(sorted(behind[name]))
        own = f"accuracy of {missing} of {len(behind[name])} sensors not declared, our own choice taken"
        note = "; ".join(filter(None, (binding.signal.note, own if missing else "")))
        yield replace(binding, signal=replace(binding.signal, note=note))
