"""BACnet devices in a process of their own, so that serving them costs the measured process nothing.

Usage: python tests/bench/fleet.py FIRST_PORT DEVICES OBJECTS. It prints "ready" and serves until its standard input closes.
Device n stands at 127.0.0.1:FIRST_PORT+n, has instance 1000+n, and analog inputs 1..OBJECTS.
"""

from __future__ import annotations

import asyncio
import sys

from rusty_bacnet import BACnetServer


async def main(first_port: int, devices: int, objects: int) -> None:
    """Serve."""
    servers = []
    for place in range(devices):
        server = BACnetServer(
            device_instance=1_000 + place,
            device_name=f"D{place}",
            interface="127.0.0.1",
            port=first_port + place,
            broadcast_address="127.0.0.1",
        )
        for number in range(1, objects + 1):
            server.add_analog_input(instance=number, name=f"P{number}", units=62, present_value=number / 4)
        await server.start()
        servers.append(server)
    print("ready", flush=True)
    await asyncio.to_thread(sys.stdin.read)
    for server in servers:
        await server.stop()


if __name__ == "__main__":
    asyncio.run(main(*map(int, sys.argv[1:])))
