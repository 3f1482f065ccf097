"""The same plant at other addresses: a forwarded port, a tunnel, simulated devices on free ports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from plantview.config.addresses import host_port
from plantview.model.plant import Adapter, Device, Plant


def with_addresses(plant: Plant, addresses: Mapping[str, str]) -> Plant:
    """Return the plant with each ``host:port`` replaced where ``addresses`` names it.

    A BACnet adapter counts as ``host:port`` too (without its mask).
    """
    devices = {name: _device(device, addresses) for name, device in plant.devices.items()}
    adapters = {name: _adapter(one, addresses) for name, one in plant.adapters.items()}
    return replace(plant, devices=devices, bacnet=_adapter(plant.bacnet, addresses), adapters=adapters)


def _device(device: Device, addresses: Mapping[str, str]) -> Device:
    new = addresses.get(device.address)
    if new is None:
        return device
    host, port = host_port(new, device.port)
    return replace(device, host=host, port=port)


def adapter_key(adapter: Adapter) -> str:
    """Return ``host:port`` of the adapter."""
    return f"{adapter.host}:{adapter.port}"


def _adapter(adapter: Adapter, addresses: Mapping[str, str]) -> Adapter:
    new = addresses.get(adapter_key(adapter))
    if new is None:
        return adapter
    host, port = host_port(new, adapter.port)
    return replace(adapter, address=f"{host}/{adapter.address.partition('/')[2]}", port=port)
