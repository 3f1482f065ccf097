"""Makes the machines and loops of a simulated plant from its description."""

from __future__ import annotations

import random
from typing import Final

from plantview.model.plant import Equipment, Loop, Plant, Port
from plantview.simulator import constants as c
from plantview.simulator.aircondenser import AirCondenser
from plantview.simulator.barrel import Tubes
from plantview.simulator.cell import Cell
from plantview.simulator.chiller import Chiller, Rating
from plantview.simulator.coil import Coil
from plantview.simulator.curves import AIR_COOLED, SETS, Curves
from plantview.simulator.exchanger import Exchanger
from plantview.simulator.machines import Machines
from plantview.simulator.piping import Piping
from plantview.simulator.pump import Fan, Pump
from plantview.simulator.recovery import Recovery
from plantview.simulator.refrigerant import SATURATION
from plantview.simulator.refusal import refuse_unmodelled
from plantview.simulator.run import Run
from plantview.simulator.sizing import Sizes
from plantview.simulator.tower import Cooling
from plantview.simulator.valve import Valve
from plantview.simulator.volume import Volume
from plantview.simulator.water import density_kg_l, enthalpy_kj_kg, specific_heat

_START_C: Final = {"evaporator": 8.0, "condenser": 30.0, "recovery": 38.0, "coil": 12.0, "warm": 12.0, "cool": 12.0}
_HEATING_START_C: Final = 38.0
AIR_DESIGN_C: Final = 35.0
"""Outdoor air at which air-cooled machines are rated (AHRI 550/590, from memory)."""


def build(plant: Plant, seed: int) -> Machines:
    """Return the machines of a plant, at rest; ConfigError lists all that cannot be simulated."""
    return _Builder(plant, seed).machines


class _Builder:
    def __init__(self, plant: Plant, seed: int) -> None:
        self.plant = plant
        self.sizes = Sizes(plant)
        self.machines = Machines()
        self._source = random.Random(seed)
        self._volumes: dict[str, Volume] = {}
        refuse_unmodelled(self.sizes)
        for loop in plant.loops.values():
            for stage in loop.stages:
                for port in stage.ports():
                    self._machine(port, loop)
            for bypass in loop.bypasses:
                for valve in bypass.via:
                    self._valve(plant.equipment[valve], loop, equal_percentage=False)
        self.sizes.refuse()
        for chiller in plant.of_kind("chiller"):
            self._chiller(chiller)
        for exchanger in plant.of_kind("heat_exchanger"):
            self._exchanger(exchanger)
        self.sizes.refuse()
        piping = Piping(self.sizes, self.machines, self._volumes)
        for loop in plant.loops.values():
            piping.connect(loop)
        self.sizes.refuse()

    # --- machines -----------------------------------------------------------------------
    def _hours(self) -> float:
        return round(self._source.uniform(2_000, 9_000))

    def _machine(self, port: Port, loop: Loop) -> None:
        equipment = self.plant.equipment[port.equipment]
        role = self.sizes.role(port)
        if role in _START_C:
            start_c = _HEATING_START_C if loop.water == "hot" else _START_C[role]
            self._volumes[str(port)] = Volume(self.sizes.flow(port, loop), enthalpy_kj_kg(start_c))
        if role == "valve":
            self._valve(equipment, loop, equal_percentage=loop.water == "chilled" and self._beside_coil(port, loop))
        elif role == "pump":
            self._pump(equipment, port, loop)
        elif role == "coil":
            self._coil(equipment, port, loop)
        elif role == "tower_cell":
            self._cell(equipment, port, loop)
        elif role == "tank":
            kg = self.sizes.need(equipment, "volume") * 1_000 * density_kg_l(10.0)
            self.machines.tanks[equipment.id] = Run(kg, enthalpy_kj_kg(12.0), c.TANK_LAYERS)

    @staticmethod
    def _beside_coil(port: Port, loop: Loop) -> bool:
        return any(stage.kind == "coil" and port in set(stage.ports()) for stage in loop.stages)

    def _valve(self, equipment: Equipment, loop: Loop, *, equal_percentage: bool) -> None:
        flow = self.sizes.flow(Port(equipment.id, ""), loop)
        open_k = self.sizes.dp(Port(equipment.id, "")) / flow**2
        valve = Valve(open_k, equipment.design.get("stroke_time", 60.0), equal_percentage)
        self.machines.valves[equipment.id] = valve

    def _pump(self, equipment: Equipment, port: Port, loop: Loop) -> None:
        self.machines.pumps[equipment.id] = Pump(
            self.sizes.flow(port, loop),
            self.sizes.need(equipment, "head"),
            equipment.design.get("efficiency", 75.0) / 100,
            equipment.traits.get("drive", "").startswith("variable"),
            self._hours(),
        )

    def _coil(self, equipment: Equipment, port: Port, loop: Loop) -> None:
        need = self.sizes.need
        air = need(equipment, "entering_air_temp"), need(equipment, "leaving_air_temp")
        warm_first = air[0] > air[1], air[1] > need(equipment, "chws_temp")
        if not self.sizes.problems and warm_first != ((False, False) if loop.water == "hot" else (True, True)):
            wrong = "its air and water temperatures do not go together: cold water cools air, hot water warms it"
            self.sizes.lack(
                f"equipment.{equipment.id}", wrong, "look at entering_air_temp, leaving_air_temp and chws_temp"
            )
            return
        self.machines.coils[equipment.id] = Coil(
            need(equipment, "cooling_capacity") * (-1.0 if loop.water == "hot" else 1.0),
            self.sizes.flow(port, loop),
            need(equipment, "chws_temp"),
            air,
            self._volumes[str(port)],
        )

    def _cell(self, equipment: Equipment, port: Port, loop: Loop) -> None:
        need, flow = self.sizes.need, self.sizes.flow(port, loop)
        entering, leaving, wet_bulb = (need(equipment, key) for key in ("entering_temp", "leaving_temp", "wet_bulb"))
        fans = [self._fan(fan) for fan in self.plant.parts_of(equipment.id, "fan")]
        least = equipment.design.get("min_water_flow", 0.5 * equipment.design.get("water_flow", 1.0)) * density_kg_l(
            30.0
        )
        if self.sizes.problems:
            return
        self.machines.cells[equipment.id] = Cell(
            Cooling(flow, entering, leaving, wet_bulb),
            Valve(c.VALVE_DP_KPA / flow**2, 60.0, False),
            fans,
            least,
        )

    def _fan(self, equipment: Equipment) -> Fan:
        variable = equipment.traits.get("drive", "variable").startswith("variable")
        least = equipment.design.get("min_speed", 20.0 if variable else 100.0)
        fan = Fan(self.sizes.need(equipment, "power"), least, c.FAN_RAMP_PCT_S, variable, self._hours())
        self.machines.fans[equipment.id] = fan
        return fan

    def _chiller(self, equipment: Equipment) -> None:
        refrigerant, drive = (
            equipment.traits.get("refrigerant", "R-134a"),
            equipment.traits.get("drive", "variable speed"),
        )
        if refrigerant not in SATURATION or drive not in SETS:
            known = SATURATION if refrigerant not in SATURATION else SETS
            self.sizes.lack(
                f"equipment.{equipment.id}",
                f"the simulator does not know {refrigerant} with {drive}",
                f"use one of: {', '.join(known)}",
            )
            return
        if equipment.traits.get("cooling") == "air":
            self._air_cooled(equipment, refrigerant)
        else:
            self._water_cooled(equipment, refrigerant, drive)

    def _water_cooled(self, equipment: Equipment, refrigerant: str, drive: str) -> None:
        need = self.sizes.need
        capacity, power = need(equipment, "cooling_capacity"), need(equipment, "power")
        chws, cws, cwr = (need(equipment, key) for key in ("chws_temp", "cws_temp", "cwr_temp"))
        recovery = self._recovery(equipment, capacity + power)
        curves = self._matched(SETS[drive], equipment, (chws, cwr if SETS[drive].leaving_condenser else cws))
        rating = Rating(
            capacity,
            power,
            chws,
            cwr - chws + 2.5,
            need(equipment, "min_chw_flow") * density_kg_l(9.0),
            need(equipment, "min_cw_flow") * density_kg_l(9.0),
            drive.startswith("variable"),
            refrigerant,
            equipment.design.get("min_lift", 0.0),
            c.AIR_HIGH_PRESSURE_C if recovery else c.HIGH_PRESSURE_C,
        )
        self.machines.chillers[equipment.id] = Chiller(
            rating,
            curves,
            self._barrel(equipment, "evaporator", capacity),
            self._barrel(equipment, "condenser", capacity + power),
            self._hours(),
            recovery,
        )

    def _air_cooled(self, equipment: Equipment, refrigerant: str) -> None:
        need = self.sizes.need
        capacity, power, chws = (need(equipment, key) for key in ("cooling_capacity", "power", "chws_temp"))
        condenser = AirCondenser(capacity + power)
        approach = equipment.design.get("cond_approach", c.AIR_APPROACH_K)
        tubes = Tubes(capacity + power, condenser.design_flow, approach)
        rating = Rating(
            capacity,
            power,
            chws,
            AIR_DESIGN_C + 15.0 - chws,
            need(equipment, "min_chw_flow") * density_kg_l(9.0),
            0.0,
            variable_speed=equipment.traits.get("drive", "").startswith("variable"),
            refrigerant=refrigerant,
            high_pressure_c=c.AIR_HIGH_PRESSURE_C,
        )
        self.machines.chillers[equipment.id] = Chiller(
            rating,
            self._matched(AIR_COOLED, equipment, (chws, AIR_DESIGN_C)),
            self._barrel(equipment, "evaporator", capacity),
            (condenser, tubes),
            self._hours(),
        )

    def _matched(self, published: Curves, equipment: Equipment, at_c: tuple[float, float]) -> Curves:
        """Return the curves through the machine's own design point."""
        capacity, power = (self.sizes.need(equipment, key) for key in ("cooling_capacity", "power"))
        return published.scaled(capacity, power / published.scaled(capacity).power_kw(capacity, *at_c))

    def _recovery(self, equipment: Equipment, heat_kw: float) -> Recovery | None:
        water = self._volumes.get(f"{equipment.id}.recovery")
        if water is None:
            return None
        hot = self.plant.loop_of("hot")
        coils = [port.equipment for stage in (hot.stages_of("coil") if hot else ()) for port in stage.ports()]
        setpoints = [self.plant.equipment[name].design["chws_temp"] for name in coils if name in self.machines.coils]
        approach = equipment.design.get("cond_approach", 1.5)
        tubes = Tubes(heat_kw, water.design_flow * specific_heat(35.0), approach)
        return Recovery(water, tubes, max(setpoints, default=_HEATING_START_C))

    def _exchanger(self, equipment: Equipment) -> None:
        warm, cool = (self._volumes[f"{equipment.id}.{side}"] for side in ("warm", "cool"))
        capacity, approach = self.sizes.need(equipment, "capacity"), self.sizes.need(equipment, "approach")
        if not self.sizes.problems:
            self.machines.exchangers[equipment.id] = Exchanger(capacity, approach, warm, cool)

    def _barrel(self, equipment: Equipment, side: str, heat_kw: float) -> tuple[Volume, Tubes]:
        volume = self._volumes[f"{equipment.id}.{side}"]
        rate = volume.design_flow * specific_heat(_START_C[side])
        approach = equipment.design.get("evap_approach" if side == "evaporator" else "cond_approach", 1.5)
        return volume, Tubes(heat_kw, rate, approach)
