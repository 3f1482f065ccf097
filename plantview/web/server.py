"""Serve the web process in our own event loop, until told to stop."""

from __future__ import annotations

import asyncio
import logging
import socket as net
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import uvicorn
from typing_extensions import override

from plantview.channel.client import ChannelClient
from plantview.clock import SystemClock
from plantview.errors import StartRefused
from plantview.model.plant import Plant
from plantview.web.access import Access
from plantview.web.app import build_application
from plantview.web.frame_view import FrameView
from plantview.web.hosts import allowed_hosts
from plantview.web.live import Live

STOP_REAL_S: Final = 1
"""Time that open connections get when the process stops."""
WS_MESSAGE_BYTES_MAX: Final = 65_536
VIEWER_PING_REAL_S: Final = 15.0
"""A viewer is asked so often whether it is still there, and is gone if it says nothing for so long."""
CONNECTIONS_MAX: Final = 512
HEADER_BYTES_MAX: Final = 32_768

log = logging.getLogger("plantview.web")


@dataclass(frozen=True, slots=True)
class Entry:
    """How people and programs reach the pages, and who may."""

    access: Access
    known_as: tuple[str, ...] = ()
    """Further names by which browsers may address this server, ``name`` or ``name:port``."""
    tls_cert: str = ""
    tls_key: str = ""


class _Server(uvicorn.Server):
    """uvicorn without its own signal handling, which would end the process before it has cleaned up."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    @override
    async def startup(self, sockets: list[net.socket] | None = None) -> None:
        await super().startup(sockets=sockets)
        if self.started:
            self._ready()

    @override
    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


async def serve_web(
    plant: Plant,
    socket: Path,
    host: str,
    port: int,
    *,
    stop: asyncio.Event,
    ready: Callable[[], None] = lambda: None,
    data: Path | None = None,
    entry: Entry | None = None,
) -> None:
    """Serve pages, live socket and API on ``host:port`` until ``stop``; ``socket`` is the field's channel.

    ``data`` is the folder whose history is shown; without ``entry`` accounts are off. StartRefused if the port
    cannot be had.
    """
    with listen(host, port) as listener:
        await serve_on(listener, plant, socket, host, stop=stop, ready=ready, data=data, entry=entry)


@contextmanager
def listen(host: str, port: int) -> Iterator[net.socket]:
    """Bind the address before anything else starts; StartRefused says what stands in the way."""
    listener = net.socket(net.AF_INET6 if ":" in host else net.AF_INET)
    with listener:
        try:
            listener.setsockopt(net.SOL_SOCKET, net.SO_REUSEADDR, 1)
            listener.bind((host, port))
            listener.listen(CONNECTIONS_MAX)
        except OSError as error:
            raise StartRefused(
                f"the web page cannot have {host}:{port} ({error.strerror or error}); choose another with --port, or stop what uses it"
            ) from error
        yield listener


async def serve_on(
    listener: net.socket,
    plant: Plant,
    socket: Path,
    host: str,
    *,
    stop: asyncio.Event,
    ready: Callable[[], None] = lambda: None,
    data: Path | None = None,
    entry: Entry | None = None,
) -> None:
    """Serve on a socket that already listens."""
    clock = SystemClock()
    entry = entry or Entry(Access(clock))
    view = FrameView(plant, clock)
    live = Live(view, clock)
    client = ChannelClient(socket, lambda kind, body: _take(view, live, kind, body))
    names = allowed_hosts(host, listener.getsockname()[1], entry.known_as)
    application = build_application(view, live, client, names, data, entry.access)
    server = _Server(
        uvicorn.Config(
            application.guarded,
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            ws="websockets-sansio",
            ws_max_size=WS_MESSAGE_BYTES_MAX,
            ws_ping_interval=VIEWER_PING_REAL_S,
            ws_ping_timeout=VIEWER_PING_REAL_S,
            ws_per_message_deflate=False,  # messages are compressed once for all viewers, not once for each
            timeout_graceful_shutdown=STOP_REAL_S,
            limit_concurrency=CONNECTIONS_MAX,
            h11_max_incomplete_event_size=HEADER_BYTES_MAX,
            ssl_certfile=entry.tls_cert or None,
            ssl_keyfile=entry.tls_key or None,
        ),
        ready,
    )
    async with asyncio.TaskGroup() as group:
        listening = group.create_task(client.run())
        watching = group.create_task(live.run())
        guarding = group.create_task(entry.access.run())
        serving = group.create_task(server.serve(sockets=[listener]))
        stopping = group.create_task(stop.wait())
        await asyncio.wait({serving, stopping}, return_when=asyncio.FIRST_COMPLETED)
        server.should_exit = True
        await serving
        for task in (listening, watching, guarding, stopping):
            task.cancel()
    entry.access.log.close()


def _take(view: FrameView, live: Live, kind: str, body: Mapping[str, Any]) -> None:
    try:
        change = view.take(kind, body)
    except (KeyError, IndexError, TypeError, ValueError, AttributeError):
        # border: a field process of another version must not end the pages; they show that they hear nothing
        log.exception("a '%s' message of the field process is not understood", kind)
        return
    if change is not None:
        live.changed(change)
