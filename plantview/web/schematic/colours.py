"""A plant's own colours of pipes, as variables that replace those of tokens.css on its drawing."""

from __future__ import annotations

from plantview.config.service_colours import GROUNDS, REST_SHARE, mixed
from plantview.model.plant import Plant


def variables(plant: Plant, theme: str) -> dict[str, str]:
    """Return variable and colour for one theme: with flow, and at rest."""
    found: dict[str, str] = {}
    for water, (light, dark) in plant.colours.items():
        colour = light if theme == "light" else dark
        found[water] = colour
        found[f"{water}-rest"] = mixed(colour, GROUNDS[theme], REST_SHARE)
    return found


def told(plant: Plant) -> str:
    """Return the variables as the page's script reads them: ``chilled #3a6f98 #66a5d8;…``, light and dark."""
    light, dark = variables(plant, "light"), variables(plant, "dark")
    return ";".join(f"{name} {light[name]} {dark[name]}" for name in light)
