"""Samples that an import or a recomputation hands to a running plant: checked, then written off the loop."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any, Final, Protocol

import numpy as np

from plantview.errors import ChannelError
from plantview.history.samples import Report, Samples
from plantview.model.quality import Quality

SAMPLES_MAX: Final = 20_000
"""In one question: it stays far below the length of a line, and the disk is free for live readings in between."""
_WORST: Final = int(Quality.BAD)


class Written(Protocol):
    """History as far as it is written to here."""

    def backfill(self, samples: Mapping[str, Samples]) -> Report: ...
    def remember(self, samples: Mapping[str, Samples]) -> None: ...


class BackfillAsk:
    """Answers ``backfill``; one at a time, so that an import never holds more than one thread."""

    def __init__(self, history: Written) -> None:
        self._history = history
        self._one_at_a_time = asyncio.Lock()

    async def answer(self, body: dict[str, Any]) -> dict[str, Any]:
        """Merge samples into history; durable when it answers. Raises ChannelError for what are no samples."""
        samples = {str(name): samples_of_row(row) for name, row in dict(body["samples"]).items()}
        if sum(one.at_ms.size for one in samples.values()) > SAMPLES_MAX:
            raise ChannelError(f"more than {SAMPLES_MAX} samples in one question; send them in parts")
        async with self._one_at_a_time:
            report = await asyncio.to_thread(self._history.backfill, samples)
        self._history.remember(samples)
        return {"counts": dict(report.counts), "problems": list(report.problems)}


def row_of_samples(samples: Samples) -> dict[str, Any]:
    """Return samples as they cross the channel; each reason is named once."""
    words = tuple(dict.fromkeys(samples.reasons))
    place = {word: at for at, word in enumerate(words)}
    return {
        "at_ms": samples.at_ms.tolist(),
        "values": [None if np.isnan(value) else value for value in samples.values.tolist()],
        "quality": samples.quality.tolist(),
        "words": list(words),
        "reasons": [place[reason] for reason in samples.reasons],
    }


def samples_of_row(row: Mapping[str, Any]) -> Samples:
    """Return samples from the channel; raise ChannelError for anything else."""
    try:
        words = [str(word) for word in row["words"]]
        samples = Samples(
            np.array(row["at_ms"], np.int64),
            np.array([np.nan if value is None else float(value) for value in row["values"]], np.float64),
            np.array(row["quality"], np.uint8),
            tuple(words[at] for at in row["reasons"]),
        )
    except (KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
        raise ChannelError(f"these are no samples: {error!r}") from None
    lengths = {samples.at_ms.size, samples.values.size, samples.quality.size, len(samples.reasons)}
    if len(lengths) != 1 or (samples.quality > _WORST).any():
        raise ChannelError("these are no samples: columns of different lengths, or a quality that does not exist")
    return samples
