"""What the chillers send out together: the sum of their flows, and the supply that they blend."""

from __future__ import annotations

from plantview.calcs.flow import blended_temperature_c
from plantview.derive.bindings import Row
from plantview.derive.power import add
from plantview.model.plant import Plant


def blend_rows(plant: Plant) -> tuple[Row, ...]:
    """Return the rows of the plant's flows through its chillers and of the blended supply."""
    chillers = [chiller.id for chiller in plant.of_kind("chiller")]
    lacking = "" if chillers else "the plant has no chiller"
    flows = {side: tuple(f"{each}.{side}_flow" for each in chillers) for side in ("chw", "cw")}
    temps = tuple(f"{each}.chws_temp" for each in chillers)
    return (
        Row("chw_flow", "flow", "chilled water through all chillers", flows["chw"], add,
            note=" + ".join(flows["chw"]), why_not=lacking),
        Row("cw_flow", "flow", "condenser water through all chillers", flows["cw"], add,
            note=" + ".join(flows["cw"]), why_not=lacking),
        Row("chws_blend", "temperature", "blended supply of all chillers", (*flows["chw"], *temps), _blend_c,
            note="leaving water of each chiller by its flow; compare with the supply header", why_not=lacking),
    )  # fmt: skip


def _blend_c(*flows_and_temps: float) -> float:
    half = len(flows_and_temps) // 2
    return blended_temperature_c(flows_and_temps[:half], flows_and_temps[half:])
