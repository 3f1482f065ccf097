"""Learned models in the field process: taken in when their file changes, and told to whoever asks."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from plantview.derive.learned import Learned
from plantview.model.plant import Plant

PERIOD_S: Final = 60.0
"""Plant time between two looks at the file."""


class LearnedAsks:
    """The models of one plant, and their answer on the channel."""

    def __init__(self, plant: Plant, data: Path) -> None:
        self.learned = Learned(data, plant.id)

    async def look(self) -> None:
        """Take in a new file; reading it must not hold up the polling."""
        await asyncio.to_thread(self.learned.look)

    async def models(self, _body: dict[str, Any]) -> dict[str, Any]:
        """Return of each machine with a model what it holds for and how well; numbers in °C, K, kW, L/s."""
        rows = {
            machine: {
                "kind": model.kind,
                **asdict(model.record),
                "holds_for": [asdict(axis) for axis in model.envelope.axes],
            }
            for machine, model in self.learned.models.items()
        }
        return {"machines": rows, "trouble": self.learned.trouble}
