"""The web process: ``python -m plantview.web ORDER``."""

from __future__ import annotations

import asyncio
import logging
import sys
from pathlib import Path

from plantview.channel.paths import socket_path
from plantview.clock import SystemClock
from plantview.config.order import Order
from plantview.process import run_process, say, start_log
from plantview.web.access import Access
from plantview.web.access.gate import Terms
from plantview.web.hosts import is_loopback
from plantview.web.server import Entry, serve_web

log = logging.getLogger("plantview.web")


def _entry(order: Order) -> Entry:
    beyond = bool(order.proxy) or not is_loopback(order.host)
    terms = Terms(required=beyond, open_wall=order.open_wall, openmetrics=order.openmetrics, proxy=order.proxy)
    if beyond:
        log.warning("served beyond this computer: %s, gateway %s", order.host, order.proxy or "none")
    return Entry(
        Access(SystemClock(), Path(order.data), terms),
        tuple(order.known_as),
        order.tls_cert,
        order.tls_key,
    )


async def _run(order: Order, stop: asyncio.Event) -> None:
    await serve_web(
        order.load(),
        socket_path(Path(order.data)),
        order.host,
        order.port,
        stop=stop,
        data=Path(order.data),
        entry=_entry(order),
        ready=lambda: say(ready="web", port=order.port),
    )


def main(argument: str) -> int:
    """Run the web process as ordered; return its exit code."""
    order = Order.read(argument)
    start_log(Path(order.data), order.role)
    return run_process(lambda stop: _run(order, stop))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
