"""The simulated plant: site, machines, controller and sensors, stepped in plant time."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from typing import Final

from plantview.errors import ConfigError, Problem
from plantview.model.plant import Plant
from plantview.simulator.build import build
from plantview.simulator.constants import COARSE_STEP_S, SETTLE_S, STEP_S_MAX
from plantview.simulator.controller import Controller
from plantview.simulator.fault_effects import Breakage, World
from plantview.simulator.faults import Fault, place_fault
from plantview.simulator.instruments import Instruments
from plantview.simulator.layout import Layout, layout_of
from plantview.simulator.ledger import Ledger
from plantview.simulator.machines import Machines
from plantview.simulator.outputs import Outputs
from plantview.simulator.sensors import Sensor
from plantview.simulator.sizing import Sizes
from plantview.simulator.weather import Site, heating_share

WEATHER_EVERY_S: Final = 30.0
FAULTS_MAX: Final = 200


class SimulatedPlant:
    """A plant that lives: ``step`` lets time pass, ``reported`` is what its devices say.

    It starts warm, settled at the state for the time of day, unless ``cold``: then everything is off.
    ``fans``: ``together`` or ``one by one``; left out, as their drives ask for. ``coarse``: longer
    steps, for hours that nobody watches.
    ConfigError names whatever the description asks for that cannot be simulated.
    """

    def __init__(
        self, plant: Plant, start_ms: int, seed: int = 1, *, cold: bool = False, fans: str = "", coarse: bool = False
    ) -> None:
        self.plant = plant
        self._step_s = COARSE_STEP_S if coarse else STEP_S_MAX
        self.machines: Machines = build(plant, seed)
        layout = layout_of(plant)
        self._outputs = Outputs()
        self.controller = Controller(layout, self.machines, self._outputs, _design_dp_kpa(plant, layout), fans)
        self._site = Site(plant.simulation, plant.zone, plant.altitude_m, seed)
        self._sensors = self._instrument(seed)
        self._breakage = Breakage(World(plant, self.machines, self._sensors, self._outputs))
        self._reported: dict[str, float] = {}
        self._reported_at_s = -math.inf
        self._elapsed_s = 0.0
        self._weather_due_s = 0.0
        self._start_ms = start_ms
        if not cold:
            self._warm_up()
        self.truth = Ledger(self.machines)

    @property
    def now_ms(self) -> int:
        """Return plant time."""
        return self._start_ms + round(self._elapsed_s * 1_000)

    def step(self, dt_s: float) -> None:
        """Let so many plant seconds pass."""
        left = dt_s
        while left > 1e-9:
            part = min(left, self._step_s)
            self._advance(part)
            self.truth.watch()
            left -= part

    def reported(self) -> Mapping[str, float]:
        """Return point name -> number in the unit that its device reports, states as their number."""
        if self._reported_at_s != self._elapsed_s:
            since = self._elapsed_s - self._reported_at_s
            self._reported = {name: sensor.read(since) for name, sensor in self._sensors.items()}
            self._reported_at_s = self._elapsed_s
        return self._reported

    def command(self, point: str, value: float | None) -> None:
        """Take over what an outsider commands, in the point's reported unit; None gives the point back.

        KeyError for a point that cannot be commanded, ValueError for what is no number.
        """
        if point not in self.plant.points or not self.plant.points[point].commandable:
            raise KeyError(f"{point} is no point that can be commanded")
        if value is not None and not math.isfinite(value):
            raise ValueError(f"{point} cannot be commanded to {value}")
        canonical = None if value is None else self._sensors[point].scale.canonical(value)
        self._outputs.override(point, canonical)

    def inject(self, fault: Fault) -> None:
        """Let a fault befall the plant; its seconds count from now. UnknownFault if its target is not there."""
        place_fault(fault, self.plant)
        if len(self._breakage.faults) >= FAULTS_MAX:
            raise ValueError(f"a simulated plant takes at most {FAULTS_MAX} faults")
        self._breakage.add(fault)
        self._breakage.step(self.now_ms)

    def mend(self, fault: Fault) -> None:
        """Take back a fault that was injected, whether its time is over or not."""
        self._breakage.lift(fault)

    @property
    def faults(self) -> tuple[Fault, ...]:
        """Return the faults that were injected and not mended."""
        return tuple(self._breakage.faults)

    # --- inside ---------------------------------------------------------------------------
    def _advance(self, dt_s: float) -> None:
        if self._elapsed_s >= self._weather_due_s:
            self._look_outside()
        self.controller.step(dt_s)
        self.machines.step(dt_s)
        self._elapsed_s += dt_s
        self._breakage.step(self.now_ms)

    def _look_outside(self) -> None:
        self.machines.air = self._site.air(self.now_ms)
        load_kw = self._site.load_kw(self.now_ms)
        coils = self.machines.coils
        shares = self._site.shares(
            self.now_ms, {name: coil.design_kw for name, coil in coils.items() if not coil.heats}
        )
        self.machines.coil_loads_kw = {name: share * load_kw for name, share in shares.items()}
        heating = heating_share(self.machines.air.dry_bulb_c)
        self.machines.coil_loads_kw |= {name: heating * coil.design_kw for name, coil in coils.items() if coil.heats}
        self._weather_due_s = self._elapsed_s + WEATHER_EVERY_S

    def _warm_up(self) -> None:
        """Run up to the start from some time before it."""
        self._elapsed_s = -SETTLE_S
        self._look_outside()
        self.controller.run_at_once()
        while self._elapsed_s < 0:
            self._advance(COARSE_STEP_S)
        self._elapsed_s = 0.0
        for chiller in self.machines.chillers.values():
            chiller.panel.starts = round(chiller.run_hours / 9)

    def _instrument(self, seed: int) -> dict[str, Sensor]:
        instruments = Instruments(self.plant, self.machines, self.controller)
        sensors: dict[str, Sensor] = {}
        problems: list[Problem] = []
        for name, point in self.plant.points.items():
            truth = instruments.find(point)
            try:
                if truth is None:
                    raise KeyError(name)
                sensors[name] = Sensor(point, truth, random.Random(f"{seed} {name}"))
            except KeyError:
                problems.append(
                    Problem(
                        "points.csv",
                        0,
                        name,
                        f"the simulator does not model this measurement in {point.unit.name}",
                        "leave the point out, or use a measurement, unit and states that the simulator knows",
                    )
                )
        if problems:
            raise ConfigError(self.plant.folder, problems)
        return sensors


def _design_dp_kpa(plant: Plant, layout: Layout) -> float:
    """Return the pressure difference over the coils when they take their design flow."""
    loop, sizes = plant.loops[layout.chilled], Sizes(plant)
    losses = sizes.pipe_losses(loop)
    coils = loop.stages_of("coil")
    return max(
        losses.get(stage.id, 0.0) + max(sum(map(sizes.dp, branch)) for branch in stage.branches) for stage in coils
    )
