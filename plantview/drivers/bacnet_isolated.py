"""BAC0 for browsing, kept from touching the folder, the environment, the log and the network unasked.

Left alone, importing BAC0 makes a folder in the home folder, takes a ``.env`` of the working
folder into the environment and logs to standard output; a started one wakes every 10 ms for ever,
shares its UDP port with other programs in silence, and answers Who-Is as if it were a device.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import importlib
import os
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Final

from bacpypes3.app import Application

from plantview.drivers.bacnet_facts import Untyped
from plantview.drivers.bacnet_network import MAX_APDU_OURS, exclusive_socket
from plantview.errors import StartRefused
from plantview.model.plant import Adapter

OWN_INSTANCE: Final = 4_194_302
"""Never announced: nobody's Who-Is is answered."""
BIND_S: Final = 5.0
_SPINNING: Final = "Lite._i_am"
"""A task of BAC0 that waits every 10 ms for something that never comes, also after its end."""


@functools.cache
def bac0() -> Untyped:
    """Return the module, imported once in an empty folder that is home and working folder meanwhile."""
    with tempfile.TemporaryDirectory(prefix="plantview-") as empty, contextlib.chdir(empty), _home(empty):
        module = importlib.import_module("BAC0")
    for logger in list(module.core.utils.notes.LogList.LOGGERS):
        logger.handlers.clear()
        logger.propagate = False
        logger.disabled = True
    return module


@contextlib.contextmanager
def _home(folder: str) -> Iterator[None]:
    before = os.environ.get("HOME")
    os.environ["HOME"] = folder
    try:
        yield
    finally:
        if before is None:
            del os.environ["HOME"]
        else:
            os.environ["HOME"] = before


@contextlib.asynccontextmanager
async def started_bac0(adapter: Adapter, within_s: float) -> AsyncIterator[Untyped]:
    """Run one BAC0 on the adapter; StartRefused says who or what stands in the way."""
    host, _, mask = adapter.address.partition("/")
    exclusive_socket(host, adapter.port).close()
    module = bac0()
    own = Path(module.core.app.__file__).with_name("device.json")  # not one from the home folder
    network = module.start(
        ip=f"{host}/{mask}", port=adapter.port, ping=False, deviceId=OWN_INSTANCE, json_file=str(own)
    )
    await _end_spinning()
    application = network.this_application.app
    try:
        _quiet(application, within_s)
        await _bound(next(iter(application.link_layers.values())).server, adapter)
        yield network
    finally:
        await network._disconnect()  # noqa: SLF001 - its public way leaves a task behind
        await asyncio.sleep(0)


def _quiet(application: Application, within_s: float) -> None:
    own = application.device_object
    own.apduTimeout = own.apduSegmentTimeout = round(within_s * 1_000)
    own.numberOfApduRetries = 1
    own.maxApduLengthAccepted = MAX_APDU_OURS
    own.maxSegmentsAccepted = 64
    application.do_WhoIsRequest = _hear_nothing
    application.do_WhoHasRequest = _hear_nothing


async def _hear_nothing(_: object) -> None:
    """Leave a Who-Is of others unanswered."""


async def _end_spinning() -> None:
    spinning = [task for task in asyncio.all_tasks() if getattr(task.get_coro(), "__qualname__", "") == _SPINNING]
    for task in spinning:
        task.cancel()
    await asyncio.gather(*spinning, return_exceptions=True)


async def _bound(server: Untyped, adapter: Adapter) -> None:
    """Wait until the socket is open; bacpypes3 would try for ever without a word."""
    try:
        async with asyncio.timeout(BIND_S):
            while server.local_transport is None:  # noqa: ASYNC110 - it offers no event
                await asyncio.sleep(0.005)
    except TimeoutError:
        raise StartRefused(
            f"{adapter.address} port {adapter.port} could not be opened in {BIND_S:g} s -> is another program on it?"
        ) from None
