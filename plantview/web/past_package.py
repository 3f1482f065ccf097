"""``/api/v1/evidence``: the evidence package of a span, made for this answer and gone when it was sent."""

from __future__ import annotations

import asyncio
import shutil
import tempfile
from pathlib import Path
from typing import Any, Final

from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from plantview.channel.client import ChannelClient
from plantview.clock import local_text
from plantview.errors import HistoryError
from plantview.evidence import SUFFIX, Sources, build
from plantview.web.answers import Problem
from plantview.web.asked import moment
from plantview.web.frame_view import FrameView

DAY_MS: Final = 86_400_000
ASK_REAL_S: Final = 10.0


class PackageApi:
    """Makes one package at a time; a second request meanwhile is refused, not queued."""

    def __init__(self, view: FrameView, client: ChannelClient, data: Path | None) -> None:
        self._view, self._client, self._data = view, client, data
        self._one = asyncio.Lock()

    async def answer(self, request: Request) -> Response:
        """Return the evidence package (a zip) of ``from`` to ``to``; by default the 24 hours up to ``to``."""
        if self._data is None:
            raise Problem(409, "this plant keeps no history on disk", "start it with a data folder")
        to_ms = min(moment(request, "to", self._view.now_ms()), self._view.now_ms())
        from_ms = moment(request, "from", to_ms - DAY_MS)
        if from_ms >= to_ms:
            raise Problem(400, "'from' does not lie before 'to'", "change them over")
        if self._one.locked():
            raise Problem(429, "a package is being made already", "ask again when it is there")
        async with self._one:
            return await self._made(self._data, from_ms, to_ms)

    async def _made(self, data: Path, from_ms: int, to_ms: int) -> Response:
        plant = self._view.plant
        folder = Path(await asyncio.to_thread(tempfile.mkdtemp, prefix="plantview-package-"))
        sources = Sources(plant, data, dict(self._view.signals), self._ask, self._view.now_ms())
        try:
            packed = await build(sources, (from_ms, to_ms), folder / "package.zip")
        except HistoryError as error:
            shutil.rmtree(folder, ignore_errors=True)
            raise Problem(409, f"no package was made: {error}", "choose another span") from error
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        name = f"{plant.id}-{local_text(to_ms, plant.zone)[:10]}{SUFFIX}"
        gone = BackgroundTask(shutil.rmtree, folder, ignore_errors=True)
        return FileResponse(packed.path, media_type="application/zip", filename=name, background=gone)

    async def _ask(self, what: str, body: dict[str, Any]) -> dict[str, Any]:
        return await self._client.ask(what, body, ASK_REAL_S)
