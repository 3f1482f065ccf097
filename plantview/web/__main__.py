"""The web process: ``python -m plantview.web ORDER``."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from plantview.channel.paths import socket_path
from plantview.config.order import Order
from plantview.process import run_process, say, start_log
from plantview.web.server import serve_web


async def _run(order: Order, stop: asyncio.Event) -> None:
    await serve_web(
        order.load(),
        socket_path(Path(order.data)),
        order.host,
        order.port,
        stop=stop,
        data=Path(order.data),
        ready=lambda: say(ready="web", port=order.port),
    )


def main(argument: str) -> int:
    """Run the web process as ordered; return its exit code."""
    order = Order.read(argument)
    start_log(Path(order.data), order.role)
    return run_process(lambda stop: _run(order, stop))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
