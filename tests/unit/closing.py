"""What a person with a pencil checks on a screen, from the numbers that stand there and nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from plantview.derive import Derivation
from plantview.model.plant import Plant
from tests.unit.shown_frames import Screen

EXACT_PER_RULE = {"ip": (24.0, 0.008), "si": (1 / 4.19, 0.008)}
"""gpm × °F / 24 in tons, L/s × K × 4.19 in kW, and how far either may be off: water's properties between 4 and 40 °C."""
KW_PER_TON = 3.51685284


@dataclass(frozen=True, slots=True)
class Sum:
    """One thing worked out by hand from displayed numbers."""

    name: str
    inputs: tuple[str, ...]
    by_hand: Callable[..., float]
    law: float = 0.0
    """What the pencil's formula itself may be off, as a share of the result."""


def sums(plant: Plant, system: str) -> Iterator[Sum]:
    """Yield every sum that the screens of a plant invite to."""
    chillers = [each.id for each in plant.of_kind("chiller")]
    divisor, law = EXACT_PER_RULE[system]
    load = "cooling_load_tons" if system == "ip" else "cooling_load"
    for each in chillers:
        waters = (("chw", "chws_temp", "chwr_temp"), ("cw", "cws_temp", "cwr_temp"))
        for water, cold, hot in waters:
            yield Sum(f"{each}.{water}_delta_t", (f"{each}.{hot}", f"{each}.{cold}"), lambda a, b: a - b)
        yield Sum(f"{each}.{load}", (f"{each}.chw_flow", f"{each}.chwr_temp", f"{each}.chws_temp"),
                  lambda flow, hot, cold: flow * (hot - cold) / divisor, law)  # fmt: skip
        yield Sum(f"{each}.kw_per_ton", (f"{each}.power", f"{each}.{load}"),
                  lambda power, heat: power / heat * (1 if system == "ip" else KW_PER_TON))  # fmt: skip
        yield Sum(f"{each}.evap_approach", (f"{each}.chws_temp", f"{each}.evap_saturation"), lambda a, b: a - b)
        yield Sum(f"{each}.cond_approach", (f"{each}.cond_saturation", f"{each}.cwr_temp"), lambda a, b: a - b)
    yield _plant_load(plant, load, chillers, divisor, law)
    yield Sum("PLANT.chw_flow", tuple(f"{each}.chw_flow" for each in chillers), lambda *flows: sum(flows))
    yield Sum("PLANT.cw_flow", tuple(f"{each}.cw_flow" for each in chillers), lambda *flows: sum(flows))
    flows, temps = (tuple(f"{each}.{name}" for each in chillers) for name in ("chw_flow", "chws_temp"))
    yield Sum("PLANT.chws_blend", (*flows, *temps), _blend)
    yield Sum("PLANT.kw_per_ton", ("PLANT.power_input", f"PLANT.{load}"),
              lambda power, heat: power / heat * (1 if system == "ip" else KW_PER_TON))  # fmt: skip
    yield Sum(
        "PLANT.power_input",
        tuple(f"PLANT.{each}_power" for each in ("chillers", "pumps", "towers")),
        lambda *kw: sum(kw),
    )
    yield Sum("PLANT.chw_delta_t", ("chw-return.temp", "chw-supply.temp"), lambda a, b: a - b)
    yield Sum("PLANT.tower_approach", (_towers_cold(plant), "PLANT.wet_bulb"), lambda a, b: a - b)


def _plant_load(plant: Plant, load: str, chillers: list[str], divisor: float, law: float) -> Sum:
    """Return the plant's load from its machines, or from headers where an exchanger ahead of them cools too."""
    inputs = Derivation(plant).signals["PLANT.cooling_load"].inputs
    if inputs[0].endswith("cooling_load"):
        return Sum(f"PLANT.{load}", tuple(f"{each}.{load}" for each in chillers), lambda *loads: sum(loads))
    return Sum(f"PLANT.{load}", inputs, lambda cold, hot, *flows: sum(flows) * (hot - cold) / divisor, law)


def _towers_cold(plant: Plant) -> str:
    return "cwp-out.temp" if "cwp-out.temp" in plant.points else "basin.temp"


def _blend(*numbers: float) -> float:
    half = len(numbers) // 2
    return sum(f * t for f, t in zip(numbers[:half], numbers[half:], strict=True)) / sum(numbers[:half])


def gap(screen: Screen, total: Sum) -> tuple[float, float]:
    """Return by how much a displayed number and the pencil's differ, and by how much rounding alone lets them."""
    displayed, half = screen.number(total.name)
    numbers = [screen.number(name) for name in total.inputs]
    values = [value for value, _ in numbers]
    by_hand = total.by_hand(*values)
    allowed = half + total.law * abs(by_hand)
    for place, (value, last) in enumerate(numbers):
        moved = [*values]
        moved[place] = value + last
        allowed += abs(total.by_hand(*moved) - by_hand) * 1.02  # the bend of a quotient over half a digit
    return abs(displayed - by_hand), allowed + 1e-9
