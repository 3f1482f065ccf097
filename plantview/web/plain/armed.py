"""The place on the pages without forms where it stands who has armed what; empty where nothing may be written."""

from __future__ import annotations

from typing import Final

from plantview.model.plant import Plant

PLACE: Final = (
    '<span id="armed" class="armed" role="status" hidden></span><script src="/assets/plain_armed.js" defer></script>'
)


def armed(plant: Plant) -> str:
    """Return the place with the script that fills it."""
    return PLACE if plant.writes.active else ""
