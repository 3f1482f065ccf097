"""Energy and mass of the simulated plant from its published truth, and whether they close."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from plantview.simulator.aircondenser import AirCondenser
from plantview.simulator.cell import Cell
from plantview.simulator.chiller import Chiller
from plantview.simulator.circuit import Circuit
from plantview.simulator.machines import Machines
from plantview.simulator.volume import Volume
from plantview.simulator.water import density_kg_l

TOLERANCE: Final = 0.001
"""Share of the larger side by which a balance may be open."""
MASS_TOLERANCE_KG_S: Final = 1e-6
_SIDES: Final = {
    "chilled": "coils + pumps = evaporators + storage",
    "condenser": "condensers + pumps = towers + storage",
    "hot": "recovery + pumps = coils + storage",
}


@dataclass(frozen=True, slots=True)
class Balance:
    """Two sides that should be equal, in kWh (kg/s for mass)."""

    name: str
    given: float
    taken: float
    allowed: float

    @property
    def gap(self) -> float:
        """Return given minus taken."""
        return self.given - self.taken

    @property
    def closes(self) -> bool:
        """Return whether the two sides agree within what is allowed."""
        return abs(self.gap) <= self.allowed

    def __str__(self) -> str:
        """Return the balance in one line."""
        return f"{self.name}: {self.given:.3f} given, {self.taken:.3f} taken, gap {self.gap:+.4f}, allowed {self.allowed:.4f}"


class Ledger:
    """Counts what crosses each boundary since it began; storage is what is there now less what was there then."""

    def __init__(self, machines: Machines) -> None:
        self._machines = machines
        self._began = self._counters()
        self.worst_residual_kg_s = 0.0
        self.worst_header = ""

    def watch(self) -> None:
        """Take note of the mass balance of every header after a step."""
        for circuit in self._machines.circuits.values():
            for header in circuit.headers:
                if abs(header.residual) > self.worst_residual_kg_s:
                    self.worst_residual_kg_s, self.worst_header = abs(header.residual), header.name

    def balances(self) -> list[Balance]:
        """Return every balance since the ledger began."""
        now = self._counters()
        moved = {name: (now[name] - was) / 3_600 for name, was in self._began.items()}
        found = [self._chiller(name, moved) for name in self._machines.chillers]
        found += [self._coil(name, moved) for name in self._machines.coils]
        found += [self._exchanger(name, moved) for name in self._machines.exchangers]
        found += [self._circuit(name, circuit, moved) for name, circuit in self._machines.circuits.items()]
        found.append(
            Balance(f"mass at {self.worst_header or 'headers'}", self.worst_residual_kg_s, 0.0, MASS_TOLERANCE_KG_S)
        )
        return found

    def open_balances(self) -> list[Balance]:
        """Return the balances that do not close."""
        return [balance for balance in self.balances() if not balance.closes]

    def energies_kwh(self) -> dict[str, float]:
        """Return what each boundary has passed since the ledger began."""
        now = self._counters()
        return {name: (now[name] - was) / 3_600 for name, was in self._began.items()}

    def flows_l_s(self) -> dict[str, float]:
        """Return the flow of every branch (``<loop>/<stage>/<number>``) and bypass (``<loop>/<bypass>``) now."""
        return {
            branch.key: branch.flow / density_kg_l(circuit.headers[branch.start].temp_c)
            for circuit in self._machines.circuits.values()
            for branch in circuit.branches
        }

    def _chiller(self, name: str, moved: dict[str, float]) -> Balance:
        """Evaporator heat + compressor power = heat of its condensers, all seen from water, air and meter."""
        from_water = -moved[f"{name}.evaporator.water"] - moved[f"{name}.evaporator.stored"]
        rejecting = [side for side in _sides(self._machines.chillers[name]) if side != "evaporator"]
        rejected = sum(moved[f"{name}.{side}.{what}"] for side in rejecting for what in ("water", "stored"))
        rejected += moved.get(f"{name}.air", 0.0)
        return _balance(f"{name} evaporator + power = condenser", from_water + moved[f"{name}.power"], rejected)

    @staticmethod
    def _coil(name: str, moved: dict[str, float]) -> Balance:
        return _balance(f"{name} air = water", moved[f"{name}.air"], moved[f"{name}.water"] + moved[f"{name}.stored"])

    @staticmethod
    def _exchanger(name: str, moved: dict[str, float]) -> Balance:
        given = -moved[f"{name}.warm.water"] - moved[f"{name}.warm.stored"]
        return _balance(
            f"{name} warm side = cool side", given, moved[f"{name}.cool.water"] + moved[f"{name}.cool.stored"]
        )

    def _circuit(self, name: str, circuit: Circuit, moved: dict[str, float]) -> Balance:
        """Heat into the loop + pump heat = heat out of the loop + what its headers, pipes and tanks store."""
        changes = [moved[f"{name}.{number}.water"] for number in range(len(_volumes(circuit)))]
        given = sum(max(change, 0.0) for change in changes) + moved[f"{name}.pumps"]
        taken = -sum(min(change, 0.0) for change in changes) + moved[f"{name}.cells"]
        made_up = sum(moved[f"{item}.net"] for item, loop in self._machines.basin_loops.items() if loop == name)
        return _balance(f"{name} {_SIDES[circuit.water]}", given, taken + moved[f"{name}.stored"] - made_up)

    def _counters(self) -> dict[str, float]:
        """Return every counter in kJ."""
        machines, found = self._machines, {}
        for name, chiller in machines.chillers.items():
            found[f"{name}.power"] = chiller.energy_kwh * 3_600
            for side, water in _sides(chiller).items():
                found[f"{name}.{side}.water"] = water.water_kj
                found[f"{name}.{side}.stored"] = water.kg * water.enthalpy
            if isinstance(chiller.condenser, AirCondenser):
                found[f"{name}.air"] = chiller.condenser.air_kj
        for name, coil in machines.coils.items():
            found[f"{name}.air"] = coil.air_kj
            found[f"{name}.water"] = coil.water.water_kj
            found[f"{name}.stored"] = coil.water.kg * coil.water.enthalpy
        for name, exchanger in machines.exchangers.items():
            for side, water in (("warm", exchanger.warm), ("cool", exchanger.cool)):
                found[f"{name}.{side}.water"] = water.water_kj
                found[f"{name}.{side}.stored"] = water.kg * water.enthalpy
        for name, basin in machines.basins.items():
            found[f"{name}.net"] = basin.net_kj
        for name, circuit in machines.circuits.items():
            found |= _loop_counters(name, circuit)
        return found


def _sides(chiller: Chiller) -> dict[str, Volume]:
    """Return the water circuits of a machine."""
    found = {"evaporator": chiller.evaporator}
    if isinstance(chiller.condenser, Volume):
        found["condenser"] = chiller.condenser
    if chiller.recovery:
        found["recovery"] = chiller.recovery.water
    return found


def _volumes(circuit: Circuit) -> list[Volume]:
    return [volume for branch in circuit.branches for volume in branch.volumes]


def _loop_counters(name: str, circuit: Circuit) -> dict[str, float]:
    found = {f"{name}.{number}.water": volume.water_kj for number, volume in enumerate(_volumes(circuit))}
    stations = [station for branch in circuit.branches for station in branch.stations]
    found[f"{name}.pumps"] = sum(pump.given_kj for branch in circuit.branches for pump in branch.pumps)
    found[f"{name}.cells"] = sum(station.lost_kj for station in stations if isinstance(station, Cell))
    under_way = sum(run.stored_kj for branch in circuit.branches for run in branch.runs)
    found[f"{name}.stored"] = under_way + sum(header.kg * header.enthalpy for header in circuit.headers)
    return found


def _balance(name: str, given: float, taken: float) -> Balance:
    return Balance(name, given, taken, TOLERANCE * max(abs(given), abs(taken), 1.0))
