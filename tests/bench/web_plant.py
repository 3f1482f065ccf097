"""A plant so large that one of its drawings shows 300 values, every device read once per second."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from plantview.config import read_plant
from plantview.config.ports import free_port
from plantview.derive import Derivation
from plantview.model.measurements import measurement
from plantview.model.plant import Plant
from plantview.model.signal import signal_of
from plantview.units import canonical
from plantview.web.schematic import loop_drawing
from tests.shapes import primary_only

LOOPBACK: Final = "127.0.0.1"
PERIOD_S: Final = 1.0
TIMEOUT_S: Final = 1.0
CHILLERS: Final = 25
PANELS_PER_GATEWAY: Final = 4
CONTROLLERS: Final = 4
LOOP: Final = "condenser-1"
"""The loop whose drawing is looked at."""
UNITS: Final = {"temperature": "degC", "flow": "L/s", "percent": "%", "power": "kW", "pressure_difference": "kPa"}
OF_A_KIND: Final = {
    "chiller": ("chws_temp", "chwr_temp", "cws_temp", "cwr_temp", "chw_flow", "cw_flow", "power", "speed", "status"),
    "pump": ("speed", "status"),
    "fan": ("speed", "status"),
    "tower_cell": ("entering_temp", "leaving_temp", "water_flow", "isolation_valve"),
    "coil": ("leaving_air_temp", "valve_position", "chws_temp", "chwr_temp", "flow"),
    "header": ("temp", "setpoint"),
}
COLUMNS: Final = "equipment,measurement,device,address,type,order,unit,states"


def write_plant(folder: Path) -> Plant:
    """Write the description into a folder, its devices on free ports of this computer; return the plant."""
    folder.mkdir(parents=True, exist_ok=True)
    described = primary_only(CHILLERS, CHILLERS, headered=True, coils=2)
    (folder / "plant.toml").write_text("\n".join([described.text(), *_devices()]), encoding="utf-8")
    (folder / "points.csv").write_text(f"{COLUMNS}\n", encoding="utf-8")
    bare = _read(folder)
    (folder / "points.csv").write_text("\n".join([COLUMNS, *_rows(bare)]) + "\n", encoding="utf-8")
    return _read(folder)


def drawn(plant: Plant) -> list[str]:
    """Return the names of the values on the drawing that is looked at: measured ones, and some that are worked out."""
    signals = {name: signal_of(point) for name, point in plant.points.items()} | dict(Derivation(plant).signals)
    return list(dict.fromkeys(re.findall(r'data-signal="([^"]+)"', loop_drawing(plant, signals, LOOP))))


def _read(folder: Path) -> Plant:
    plant, problems = read_plant(folder)
    if plant is None:
        raise SystemExit("\n".join(map(str, problems)))
    return plant


def _devices() -> Iterator[str]:
    yield f'[bacnet]\naddress = "{LOOPBACK}/8"\nport = {free_port(socket.SOCK_DGRAM)}'
    gateways = [free_port(socket.SOCK_STREAM) for _ in range(-(-CHILLERS // PANELS_PER_GATEWAY))]
    pace = f"period_s = {PERIOD_S:g}\ntimeout_s = {TIMEOUT_S:g}"
    for place in range(CHILLERS):
        at = f"{LOOPBACK}:{gateways[place // PANELS_PER_GATEWAY]}"
        yield f'[devices.PANEL-{place + 1}]\nprotocol = "modbus"\naddress = "{at}"\nunit_id = {place + 1}\n{pace}'
    for place in range(CONTROLLERS):
        at = f"{LOOPBACK}:{free_port(socket.SOCK_DGRAM)}"
        yield f'[devices.BC-{place + 1}]\nprotocol = "bacnet"\naddress = "{at}"\ninstance = {7_001 + place}\n{pace}'


def _rows(plant: Plant) -> Iterator[str]:
    """Yield a row per value: chillers' on their own panels, everything else on the controllers in turn."""
    panels, objects, place = 0, dict.fromkeys(range(CONTROLLERS), 0), 0
    kinds = {item.id: item.kind for item in plant.equipment.values()}
    kinds |= {header: "header" for loop in plant.loops.values() for header in loop.headers}
    for name, kind in kinds.items():
        if kind == "chiller":
            panels += 1
        else:
            place = (place + 1) % CONTROLLERS
        for number, what in enumerate(OF_A_KIND.get(kind, ())):
            measured = measurement(kind, what)
            assert measured is not None
            quantity = measured.quantities[0]
            unit = "" if quantity == "state" else UNITS.get(quantity, canonical(quantity).name)
            states = "0=OFF|1=RUN" if quantity == "state" else ""
            if kind == "chiller":
                form = "uint16," if states else "float32,ABCD"
                yield f"{name},{what},PANEL-{panels},holding {100 + 2 * number},{form},{unit},{states}"
            else:
                objects[place] += 1
                yield f'{name},{what},BC-{place + 1},"{"binary" if states else "analog"}-input,{objects[place]}",,,{unit},{states}'
