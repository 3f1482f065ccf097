"""What the outdoor air says: wet bulb and station pressure."""

from __future__ import annotations

from plantview.calcs.air import standard_pressure_kpaa, wet_bulb_c
from plantview.derive.bindings import Row
from plantview.model.plant import Plant


def weather_point(plant: Plant, measurement: str) -> str:
    """Return the name of the first weather station's point on a measurement; empty where there is none."""
    names = (f"{station.id}.{measurement}" for station in plant.of_kind("weather"))
    return next((name for name in names if name in plant.points), "")


def weather_rows(plant: Plant) -> tuple[Row, ...]:
    """Return the ways to the wet bulb, best first."""
    dry, humidity = weather_point(plant, "dry_bulb"), weather_point(plant, "relative_humidity")
    measured, station = weather_point(plant, "wet_bulb"), weather_point(plant, "station_pressure")
    air = (dry or "WEATHER.dry_bulb", humidity or "WEATHER.relative_humidity")
    label = "outdoor wet bulb"
    if measured:
        return (Row("wet_bulb", "temperature", label, (measured,), lambda wet_c: wet_c, note="measured"),)
    if station:
        note = "from dry bulb, relative humidity and station pressure"
        return (Row("wet_bulb", "temperature", label, (*air, station), wet_bulb_c, note=note),)
    standard_kpaa = standard_pressure_kpaa(plant.altitude_m)
    note = f"from dry bulb, relative humidity and the standard pressure of {plant.altitude_m:g} m"
    return (
        Row("wet_bulb", "temperature", label, air, lambda dry_c, rh: wet_bulb_c(dry_c, rh, standard_kpaa), note=note),
    )
