"""What a survey has found so far, kept in its folder after every step, so that a broken one goes on where it was."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

import orjson

from plantview.drivers.bacnet_facts import Announced, ObjectFacts
from plantview.errors import StartRefused

FILE: Final = "survey.json"
SCHEMA: Final = 1


@dataclass(slots=True)
class FoundDevice:
    """One BACnet device."""

    announced: Announced
    rounds_heard: int = 0
    """In how many rounds of Who-Is it answered."""
    properties: dict[str, Any] = field(default_factory=dict)
    object_list: list[str] = field(default_factory=list)
    listed: str = ""
    """How the object list was read; empty while it is not."""
    objects: dict[str, ObjectFacts] = field(default_factory=dict)
    trouble: str = ""
    read_at: str = ""
    """When its values were read, UTC."""
    note: str = ""
    """Which library read it, where that is not the usual one."""

    @property
    def key(self) -> str:
        """Return instance and address: two devices may claim one instance."""
        return f"{self.announced.instance}@{self.announced.address}"

    @property
    def done(self) -> bool:
        """Return whether every object of its list was read."""
        return bool(self.listed) and all(one in self.objects for one in self.object_list)


@dataclass(slots=True)
class FoundUnit:
    """One Modbus unit."""

    address: str
    unit: int
    there: bool
    said: str
    tables: dict[str, dict[int, int]] = field(default_factory=dict)
    """Table -> address on the wire -> register."""
    swept: dict[str, str] = field(default_factory=dict)
    """Table -> the range that was read, and what ended it early."""
    identity: str = ""
    """Maker, product code and revision in its own words; empty where it tells none."""

    @property
    def key(self) -> str:
        """Return gateway and unit id."""
        return f"{self.address}/{self.unit}"


@dataclass(slots=True)
class Survey:
    """Everything found."""

    devices: dict[str, FoundDevice] = field(default_factory=dict)
    units: dict[str, FoundUnit] = field(default_factory=dict)

    def duplicates(self) -> dict[int, list[str]]:
        """Return the addresses that claim the same device instance."""
        claimed: dict[int, list[str]] = {}
        for device in self.devices.values():
            claimed.setdefault(device.announced.instance, []).append(device.announced.address)
        return {instance: addresses for instance, addresses in claimed.items() if len(addresses) > 1}


def keep(survey: Survey, folder: Path) -> None:
    """Write what is found to the folder; a power failure leaves the former or the new state, never half of one."""
    folder.mkdir(parents=True, exist_ok=True)
    body = orjson.dumps({"schema": SCHEMA, **asdict(survey)}, option=orjson.OPT_NON_STR_KEYS | orjson.OPT_INDENT_2)
    half = folder / f"{FILE}.half"
    half.write_bytes(body)
    half.replace(folder / FILE)


def kept(folder: Path) -> Survey:
    """Return what an earlier survey left in the folder; an empty one if there was none. StartRefused if unreadable."""
    file = folder / FILE
    if not file.exists():
        return Survey()
    try:
        body = orjson.loads(file.read_bytes())
        if body["schema"] != SCHEMA:
            raise ValueError(f"schema {body['schema']}")
        return Survey(
            {key: _device(row) for key, row in body["devices"].items()},
            {key: _unit(row) for key, row in body["units"].items()},
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StartRefused(
            f"{file} cannot be read ({error}) -> choose another folder with --out, or add --fresh"
        ) from error


def _device(row: dict[str, Any]) -> FoundDevice:
    objects = {
        key: ObjectFacts(
            **{
                **one,
                "states": tuple(one["states"]),
                "flags": tuple(one["flags"]),
                "priorities": tuple((at, value) for at, value in one["priorities"]),
            }
        )
        for key, one in row["objects"].items()
    }
    return FoundDevice(**{**row, "announced": Announced(**row["announced"]), "objects": objects})


def _unit(row: dict[str, Any]) -> FoundUnit:
    tables = {table: {int(at): word for at, word in words.items()} for table, words in row["tables"].items()}
    return FoundUnit(**{**row, "tables": tables})
