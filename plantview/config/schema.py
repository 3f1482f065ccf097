"""What plant.toml may say: one table per model, checked one by one so that no problem hides another."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

from pydantic import Field

from plantview.config.problems import Strict

SCHEMA: Final = 1
Id = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,39}$")]
"""A name of letters, digits, - and _; at most 40; it becomes part of point names."""

TABLES: Final = (
    "schema",
    "plant",
    "bacnet",
    "devices",
    "templates",
    "equipment",
    "loops",
    "actuators",
    "alarms",
    "simulation",
    "history",
    "writes",
    "services",
    "rates",
)


class PlantTable(Strict):
    """``[plant]``."""

    name: str = Field(min_length=1, max_length=80)
    zone: str = "UTC"
    altitude: str = "0 m"
    units: Literal["si", "ip"] = "si"
    simulated: bool = False
    history: str = ""
    sign_in_notice: str = Field(default="", max_length=1_000)


class HistoryTable(Strict):
    """``[history]``: how long samples and summaries are kept, and how large all of it may become."""

    keep_days: float = Field(default=730, ge=1, le=36_600)
    keep_summaries_days: float = Field(default=3_660, ge=1, le=36_600)
    max_gb: float = Field(default=20, ge=0.1, le=100_000)


class RatesTable(Strict):
    """``[rates]``: flat rates for the performance page."""

    energy_price: float | None = Field(default=None, ge=0, le=1_000)
    currency: str = Field(default="", max_length=8)
    carbon_kg_per_kwh: float | None = Field(default=None, ge=0, le=10)


class AdapterTable(Strict):
    """``[bacnet.adapters.NAME]``: a further network, which devices name with ``adapter``."""

    address: str
    port: int = Field(default=47_808, ge=1, le=65_535)
    bbmd: str = ""
    ttl_s: int = Field(default=300, ge=30, le=65_535)
    requests_per_s: float = Field(default=200.0, ge=1, le=2_000)


class BacnetTable(AdapterTable):
    """``[bacnet]``: where BACnet/IP leaves this computer."""

    adapters: dict[Id, Any] = Field(default_factory=dict)
    """Read one by one as ``AdapterTable``."""


class DeviceTable(Strict):
    """``[devices.NAME]``."""

    protocol: Literal["bacnet", "modbus"]
    address: str
    label: str = ""
    instance: int | None = Field(default=None, ge=0, le=4_194_302)
    unit_id: int | None = Field(default=None, ge=1, le=255)
    period_s: float = Field(default=10.0, ge=0.5, le=3_600)
    timeout_s: float = Field(default=3.0, ge=0.05, le=30)
    framer: Literal["tcp", "rtu"] | None = None
    network: int | None = Field(default=None, ge=1, le=65_534)
    mac: int | str | None = None
    requests_per_s: float | None = Field(default=None, ge=0, le=1_000)
    adapter: str | None = None


class StageTable(Strict):
    """One stage of a loop."""

    id: Id
    kind: Literal["pump", "chiller", "tower_cell", "coil", "heat_exchanger", "valve", "tank"]
    start: Id = Field(alias="from")
    end: Id = Field(alias="to")
    branches: list[list[str]] = Field(min_length=1)


class BypassTable(Strict):
    """One bypass of a loop."""

    id: Id
    start: Id = Field(alias="from")
    end: Id = Field(alias="to")
    via: list[str] = Field(default_factory=list)
    either_way: bool = False


class LoopTable(Strict):
    """``[loops.NAME]``."""

    water: Literal["chilled", "condenser", "hot"]
    start: Id
    headers: list[Id] = Field(min_length=1)
    stages: list[StageTable] = Field(min_length=1)
    bypasses: list[BypassTable] = Field(default_factory=list)
    open_header: str = ""
    fluid: str = "water"


class ActuatorTable(Strict):
    """``[actuators.NAME]``."""

    valves: list[str] = Field(min_length=2)
    sum_pct: float = 100.0


SIMULATION: Final = {
    "dry_bulb_mean": "temperature",
    "dry_bulb_swing": "temperature_difference",
    "dew_point": "temperature",
    "load_low": "heat_flow",
    "load_high": "heat_flow",
}
"""``[simulation]``: texts with units by quantity; ``peak_hour`` is a plain number."""
