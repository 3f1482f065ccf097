"""The pages of a plant served on a free port, with a made-up field process that beats behind them."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from plantview.model.plant import Plant
from plantview.web.server import listen, serve_on
from tests.unit.fake_field import FakeField

BEAT_REAL_S = 1.0


@asynccontextmanager
async def served_pages(
    field: FakeField, plant: Plant, data: Path | None = None, beat: Callable[[], None] | None = None
) -> AsyncIterator[tuple[str, asyncio.Event]]:
    """Serve until left; yield the address, and what stops the server before that."""
    stop, ready = asyncio.Event(), asyncio.Event()
    with listen("127.0.0.1", 0) as listener:
        serving = asyncio.create_task(
            serve_on(listener, plant, field.channel.path, "127.0.0.1", stop=stop, ready=ready.set, data=data)
        )
        beating = asyncio.create_task(_beat(beat or field.beat))
        await ready.wait()
        try:
            yield f"http://127.0.0.1:{listener.getsockname()[1]}", stop
        finally:
            stop.set()
            beating.cancel()
            await serving
    await asyncio.gather(beating, return_exceptions=True)
    await field.channel.stop()


async def _beat(beat: Callable[[], None]) -> None:
    while True:
        await asyncio.sleep(BEAT_REAL_S)
        beat()
