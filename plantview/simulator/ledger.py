"""Energy and mass of the simulated plant from its published truth, and whether they close."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from plantview.simulator.circuit import Circuit
from plantview.simulator.machines import Machines
from plantview.simulator.water import density_kg_l

TOLERANCE: Final = 0.001
"""Share of the larger side by which a balance may be open."""
MASS_TOLERANCE_KG_S: Final = 1e-6


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

    @staticmethod
    def _chiller(name: str, moved: dict[str, float]) -> Balance:
        """Evaporator heat + compressor power = condenser heat, all seen from the water and the meter."""
        from_water = -moved[f"{name}.evaporator.water"] - moved[f"{name}.evaporator.stored"]
        to_water = moved[f"{name}.condenser.water"] + moved[f"{name}.condenser.stored"]
        return _balance(f"{name} evaporator + power = condenser", from_water + moved[f"{name}.power"], to_water)

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
        """Heat into the loop + pump heat = heat out of the loop + what its headers store."""
        pumps = moved[f"{name}.pumps"]
        stored = moved[f"{name}.stored"]
        if circuit.water == "condenser":
            given = sum(moved[f"{item}.condenser.water"] for item in self._machines.chillers)
            given += sum(moved[f"{item}.cool.water"] for item in self._machines.exchangers)
            taken = sum(moved[f"{item}.water"] for item in self._machines.cells)
            made_up = sum(moved[f"{item}.net"] for item in self._machines.basins)
            return _balance(f"{name} condensers + pumps = towers + storage", given + pumps, taken + stored - made_up)
        given = sum(moved[f"{item}.water"] for item in self._machines.coils)
        taken = -sum(moved[f"{item}.evaporator.water"] for item in self._machines.chillers)
        taken -= sum(moved[f"{item}.warm.water"] for item in self._machines.exchangers)
        return _balance(f"{name} coils + pumps = evaporators + storage", given + pumps, taken + stored)

    def _counters(self) -> dict[str, float]:
        """Return every counter in kJ."""
        machines, found = self._machines, {}
        for name, chiller in machines.chillers.items():
            found[f"{name}.power"] = chiller.energy_kwh * 3_600
            for side, water in (("evaporator", chiller.evaporator), ("condenser", chiller.condenser)):
                found[f"{name}.{side}.water"] = water.water_kj
                found[f"{name}.{side}.stored"] = water.kg * water.enthalpy
        for name, coil in machines.coils.items():
            found[f"{name}.air"] = coil.air_kj
            found[f"{name}.water"] = coil.water.water_kj
            found[f"{name}.stored"] = coil.water.kg * coil.water.enthalpy
        for name, exchanger in machines.exchangers.items():
            for side, water in (("warm", exchanger.warm), ("cool", exchanger.cool)):
                found[f"{name}.{side}.water"] = water.water_kj
                found[f"{name}.{side}.stored"] = water.kg * water.enthalpy
        for name, cell in machines.cells.items():
            found[f"{name}.water"] = cell.lost_kj
        for name, basin in machines.basins.items():
            found[f"{name}.net"] = basin.net_kj
        for name, circuit in machines.circuits.items():
            found[f"{name}.pumps"] = sum(pump.given_kj for branch in circuit.branches for pump in branch.pumps)
            found[f"{name}.stored"] = sum(header.kg * header.enthalpy for header in circuit.headers)
        return found


def _balance(name: str, given: float, taken: float) -> Balance:
    return Balance(name, given, taken, TOLERANCE * max(abs(given), abs(taken), 1.0))
