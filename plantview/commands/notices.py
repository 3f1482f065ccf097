"""Work notices: somebody works on a machine. They block commands of this program; they isolate nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from plantview.clock import Clock
from plantview.errors import CommandRefused
from plantview.model.person import Act, Person
from plantview.model.plant import Plant

TEXT_MAX: Final = 300
PHONE_MAX: Final = 40
NOTICES_MAX: Final = 200
CLEAR: Final = "Confirm that all persons are clear of the machine. This notice proves nothing."
Keep = Callable[[Mapping[str, Any]], None]


class Notices:
    """The work notices of one plant by equipment."""

    def __init__(self, plant: Plant, clock: Clock, kept: Mapping[str, dict[str, Any]], keep: Keep) -> None:
        self._plant, self._clock, self._keep = plant, clock, keep
        self._rows = dict(kept)

    def put(self, equipment: str, person: Person, text: str, phone: str) -> dict[str, Any]:
        """Put one up; on disk before it counts."""
        if not person.may(Act.COMMAND):
            raise CommandRefused(
                "role", f"{person.name} is {person.role.value}: technicians and leads put up work notices"
            )
        if equipment not in self._plant.equipment:
            raise CommandRefused("equipment", f"there is no equipment '{equipment[:40]}'")
        if not 0 < len(text.strip()) <= TEXT_MAX or len(phone) > PHONE_MAX:
            raise CommandRefused("text", f"say what is being done, in at most {TEXT_MAX} characters")
        if equipment in self._rows:
            raise CommandRefused(
                "notice", f"{equipment} has a work notice of {self._rows[equipment]['person']} already"
            )
        if len(self._rows) >= NOTICES_MAX:
            raise CommandRefused("too_many", f"{NOTICES_MAX} work notices stand already")
        row = {
            "equipment": equipment, "person": person.name, "text": text.strip(), "phone": phone.strip(),
            "since_ms": self._clock.now_ms(),
        }  # fmt: skip
        self._keep(row)
        self._rows[equipment] = row
        return row

    def remove(self, equipment: str, person: Person, reason: str) -> dict[str, Any]:
        """Take one down: its owner, or a lead or administrator who says why."""
        row = self._rows.get(equipment)
        if row is None:
            raise CommandRefused("notice", f"{equipment[:40]} has no work notice")
        owner = row["person"] == person.name and person.may(Act.COMMAND)
        other = person.may(Act.COMMAND_LONG) or person.may(Act.ACCOUNTS)
        if not owner and not other:
            raise CommandRefused("notice", f"only {row['person']}, a lead or an administrator removes this work notice")
        if not owner and not reason.strip():
            raise CommandRefused("reason", f"say why the work notice of {row['person']} is removed")
        self._keep({**row, "removed": True})
        del self._rows[equipment]
        return row

    def over(self, equipment: str) -> dict[str, Any] | None:
        """Return the notice that covers a machine: on itself, on what it is part of, or on one of its parts."""
        item = self._plant.equipment.get(equipment)
        names = [equipment, item.part_of if item is not None else ""]
        names += [other.id for other in self._plant.equipment.values() if other.part_of == equipment]
        return next((self._rows[name] for name in names if name in self._rows), None)

    def rows(self) -> list[dict[str, Any]]:
        """Return all of them."""
        return [dict(row) for row in self._rows.values()]

    @property
    def kept(self) -> Mapping[str, dict[str, Any]]:
        """Return all of them by equipment."""
        return self._rows
