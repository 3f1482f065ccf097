"""A link between us and one device that takes its time: a relay on this computer for datagrams and for a stream."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

from plantview.model.plant import Plant


class SlowLink:
    """Carries everything unchanged; ``there_s`` and ``back_s`` are what each way takes now."""

    def __init__(self) -> None:
        self.there_s = self.back_s = 0.0
        self.client: Any = None


class _Front(asyncio.DatagramProtocol):
    """Towards us; hands on to the device."""

    def __init__(self, link: SlowLink, device: tuple[str, int]) -> None:
        self._link, self._device = link, device
        self.transport: Any = None
        self.behind: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: Any) -> None:
        self.transport = transport

    def datagram_received(self, data: bytes, address: Any) -> None:
        self._link.client = address
        behind = self.behind
        assert behind is not None
        asyncio.get_running_loop().call_later(self._link.there_s, behind.sendto, data, self._device)


class _Behind(asyncio.DatagramProtocol):
    """Towards the device; hands back to us."""

    def __init__(self, link: SlowLink, front: _Front) -> None:
        self._link, self._front = link, front

    def datagram_received(self, data: bytes, _address: Any) -> None:
        asyncio.get_running_loop().call_later(self._link.back_s, self._hand_back, data)

    def _hand_back(self, data: bytes) -> None:
        if not self._front.transport.is_closing():
            self._front.transport.sendto(data, self._link.client)


@asynccontextmanager
async def slow_link(plant: Plant, device: str) -> AsyncIterator[SlowLink]:
    """Lead everything to one device of a plant over the link for the length of a ``with`` block."""
    own, link = plant.devices[device], SlowLink()
    opened = _datagrams if own.protocol == "bacnet" else _stream
    async with opened(link, (own.host, own.port)) as port:
        plant.devices[device] = replace(own, port=port)  # type: ignore[index]
        yield link
        plant.devices[device] = own  # type: ignore[index]


@asynccontextmanager
async def _datagrams(link: SlowLink, device: tuple[str, int]) -> AsyncIterator[int]:
    loop = asyncio.get_running_loop()
    transport, front = await loop.create_datagram_endpoint(lambda: _Front(link, device), local_addr=("127.0.0.1", 0))
    behind, _ = await loop.create_datagram_endpoint(lambda: _Behind(link, front), local_addr=("127.0.0.1", 0))
    front.behind = behind
    try:
        yield transport.get_extra_info("sockname")[1]
    finally:
        transport.close()
        behind.close()


@asynccontextmanager
async def _stream(link: SlowLink, device: tuple[str, int]) -> AsyncIterator[int]:
    serving: set[asyncio.Task[Any]] = set()
    server = await asyncio.start_server(lambda *ends: serving.add(_serving(link, device, *ends)), "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in serving:
            task.cancel()
        await asyncio.gather(*serving, return_exceptions=True)
        await server.wait_closed()


def _serving(
    link: SlowLink, device: tuple[str, int], reader: asyncio.StreamReader, writer: asyncio.StreamWriter
) -> asyncio.Task[None]:
    return asyncio.create_task(_serve(link, device, reader, writer))


async def _serve(
    link: SlowLink, device: tuple[str, int], reader: asyncio.StreamReader, writer: asyncio.StreamWriter
) -> None:
    beyond, onward = await asyncio.open_connection(*device)
    try:
        await asyncio.gather(_carry(link, reader, onward, back=False), _carry(link, beyond, writer, back=True))
    except ConnectionError:
        return  # one end has gone
    finally:
        for end in (onward, writer):
            end.close()
            await asyncio.gather(end.wait_closed(), return_exceptions=True)


async def _carry(link: SlowLink, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, back: bool) -> None:
    while data := await reader.read(4_096):
        await asyncio.sleep(link.back_s if back else link.there_s)
        writer.write(data)
    writer.close()
