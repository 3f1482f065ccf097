"""One loop of water: its branches and headers, solved for flow and carried for heat."""

from __future__ import annotations

from typing import Protocol

from plantview.simulator.constants import FILL_PRESSURE_KPA
from plantview.simulator.diverting import Diverting
from plantview.simulator.hydraulics import Path, solve
from plantview.simulator.pump import Pump
from plantview.simulator.run import Run
from plantview.simulator.valve import Valve
from plantview.simulator.volume import Header, Volume
from plantview.simulator.water import density_kg_l

HANGING_FLAP = 8.0
"""Loss of a check valve whose flap hangs open against the flow, over the fixed loss of its branch."""


class Station(Protocol):
    """Something in a branch that changes the water's heat."""

    def carry(self, flow: float, enthalpy: float, dt_s: float) -> float:
        """Pass water through; return the enthalpy at which it leaves [kJ/kg]."""
        ...


class Branch(Path):
    """A path with steel in it; positive flow in kg/s goes from start to end."""

    __slots__ = (
        "blocked",
        "bypass",
        "check_passes",
        "fixed_k",
        "key",
        "plugged",
        "pumps",
        "runs",
        "static_kpa",
        "stations",
        "valves",
        "volumes",
    )

    def __init__(self, key: str, ends: tuple[int, int], one_way: bool, fixed_k: float, static_kpa: float) -> None:
        super().__init__(*ends, one_way)
        self.key = key
        self.bypass = False
        self.blocked = False
        """A hand valve in it is shut."""
        self.check_passes = False
        """The flap of its pump's check valve hangs open."""
        self.plugged = 0.0
        """Share of its flow that an obstruction takes at the same pressure difference."""
        self.fixed_k = fixed_k
        self.static_kpa = static_kpa
        self.pumps: list[Pump] = []
        self.valves: list[Valve] = []
        self.stations: list[Station] = []
        self.volumes: list[Volume] = []
        """Barrels and coils among the stations."""
        self.runs: list[Run] = []
        """Those of the stations in which water is under way."""

    def put(self, *stations: Station) -> None:
        """Add stations in flow direction."""
        self.stations += stations
        self.runs += [station for station in stations if isinstance(station, Run)]
        inside = [station.water if isinstance(station, Diverting) else station for station in stations]
        self.volumes += [station for station in inside if isinstance(station, Volume)]

    def set_resistance(self) -> None:
        """Take over valve positions and pump speeds."""
        k, head = self.fixed_k, -self.static_kpa
        shut = self.blocked
        for valve in self.valves:
            shut = shut or valve.shut
            k += valve.resistance()
        for pump in self.pumps:
            k += pump.curve_k
            head += pump.head_kpa()
        if self.plugged > 0:
            k /= (1 - self.plugged) ** 2
        if self.check_passes:
            standing = not any(pump.speed_pct > 1 for pump in self.pumps)
            self.one_way = not standing
            self.checked = self.checked and not standing
            k += HANGING_FLAP * self.fixed_k if standing else 0.0
        self.k, self.head_kpa, self.shut = k, head, shut


class Circuit:
    """A loop: headers by name, branches, and the header whose pressure is held."""

    def __init__(self, water: str, headers: list[Header], branches: list[Branch], datum: int, opened: bool) -> None:
        self.water = water
        self.headers = headers
        self.branches = branches
        self.by_name = {header.name: header for header in headers}
        self.by_key = {branch.key: branch for branch in branches}
        self.unsolved_steps = 0
        self._datum = datum
        self._datum_kpa = 0.0 if opened else FILL_PRESSURE_KPA
        self._pressures = [self._datum_kpa] * len(headers)

    def flow_step(self) -> None:
        """Solve flows and pressures at the present positions and speeds."""
        for branch in self.branches:
            branch.set_resistance()
        if not solve(list(self.branches), self._pressures, self._datum, self._datum_kpa):
            self.unsolved_steps += 1
        for header, pressure in zip(self.headers, self._pressures, strict=True):
            header.pressure_kpa = pressure
            header.residual = header.inflow = 0.0
        for branch in self.branches:
            self._count_mass(branch)

    def _count_mass(self, branch: Branch) -> None:
        flow = branch.flow
        start, end = self.headers[branch.start], self.headers[branch.end]
        start.residual -= flow
        end.residual += flow
        (end if flow > 0 else start).inflow += abs(flow)
        for pump in branch.pumps:
            pump.work(abs(flow), density_kg_l(start.temp_c))

    def heat_step(self, dt_s: float) -> None:
        """Carry heat along the flows, either way, and mix it at the headers."""
        for branch in self.branches:
            flow = branch.flow
            forward = flow >= 0
            source, sink = self.headers[branch.start], self.headers[branch.end]
            if not forward:
                source, sink, flow = sink, source, -flow
            for run in branch.runs:
                run.backward = not forward
            enthalpy = source.enthalpy
            source.kj -= flow * enthalpy * dt_s
            for station in branch.stations if forward else reversed(branch.stations):
                enthalpy = station.carry(flow, enthalpy, dt_s)
            sink.kj += flow * enthalpy * dt_s
        for header in self.headers:
            header.mix()
