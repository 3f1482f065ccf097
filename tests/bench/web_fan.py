"""A bare WebSocket fan-out: what it costs to send a prepared message to all viewers, and nothing else.

Usage: python tests/bench/web_fan.py. It prints its port; each message on standard input, four bytes of its length before
it, goes to everybody.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys

from websockets.asyncio.server import ServerConnection, broadcast, serve

LENGTH_BYTES = 4


async def hold(viewer: ServerConnection) -> None:
    """Keep a viewer."""
    await viewer.wait_closed()


async def main() -> None:
    """Serve until standard input ends."""
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    async with serve(hold, "127.0.0.1", 0, compression=None) as server:
        print(server.sockets[0].getsockname()[1], flush=True)
        with contextlib.suppress(asyncio.IncompleteReadError):
            while True:
                length = int.from_bytes(await reader.readexactly(LENGTH_BYTES))
                broadcast(server.connections, await reader.readexactly(length))


if __name__ == "__main__":
    asyncio.run(main())
