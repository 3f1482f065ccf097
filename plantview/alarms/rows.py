"""The grammar of an ``[[alarms]]`` row in plant.toml.

    [[alarms]]
    id = "{each}.CHWS-HI"              # unique; {each} stands for each name of the list below
    each = ["CH-1", "CH-2"]            # or a kind ("chiller"), or "device"; leave out for a single alarm
    type = "DEV_HI"                    # HI HIHI LO LOLO DEV_HI DEV_LO ROC STATE MISMATCH COMM LOSS BADQ DEVICE
    point = "{each}.chws_temp"         # any signal, measured or derived (not for COMM, LOSS and DEVICE)
    setpoint = "{each}.active_setpoint"  # DEV_HI, DEV_LO
    limit = "3 degF"                   # a number with its unit; a difference for DEV and ROC
    deadband = "1 degF"                # limits, DEV and ROC
    within_s = 60                      # ROC: changed by more than limit within so long
    states = ["FAULT"]                 # STATE: by word
    command = "CWP-1.command"          # MISMATCH: against point; limit = "10 %" if they are no states
    device = "BC-1"                    # COMM; DEVICE: each object that a BACnet device itself has in alarm
    devices_min = 3                    # LOSS: so many devices lost within_s are one failure, told once
    when = "{each} runs for 15 min"    # condition (grammar: expression); otherwise = "suppressed" or "normal"
    on_delay_s = 120                   # off_delay_s alike; both have a start value by quantity
    priority = 2                       # 1 urgent, 2 high, 3 medium, 4 low
    class = "comfort"                  # safety trip protection comfort energy instrument system
    cause = "..."                      # what is probably behind it
    consequence = "..."                # of doing nothing
    action = "..."                     # what to do first
    time_to_respond_s = 900
    latching = true                    # stands until somebody resets it
    re_alarm_s = 3600                  # acknowledged and still active: calls again
    shelve_max_s = 28800
    first_out = "CH-1"                 # first-out group
    follows = ["CH-1.CW-FLOW"]         # alarms whose consequence it is: the first of them that stands speaks for it

Without consequence, action or time_to_respond_s it is an event: journalled, not annunciated.
A row that has none of them, nor a priority, is meant to be one; a row that has some draws a warning.
Unknown keys are problems. ``line`` and ``file`` are added by the loader.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from plantview.alarms.names import near
from plantview.errors import Problem
from plantview.model.plant import Plant

EACH_MAX: Final = 200
TEXT_MAX: Final = 500
_SEVEN_DAYS_S: Final = 7 * 86_400.0


@dataclass(frozen=True, slots=True)
class Keys:
    """Keys that one type of alarm has besides those of every alarm."""

    required: tuple[str, ...]
    optional: tuple[str, ...] = ()

    @property
    def required_or_optional(self) -> tuple[str, ...]:
        """Return both."""
        return self.required + self.optional


_LIMIT: Final = Keys(("point", "limit"), ("deadband",))
_DEVIATION: Final = Keys(("point", "setpoint", "limit"), ("deadband",))

TYPES: Final[dict[str, Keys]] = {
    "HI": _LIMIT,
    "HIHI": _LIMIT,
    "LO": _LIMIT,
    "LOLO": _LIMIT,
    "DEV_HI": _DEVIATION,
    "DEV_LO": _DEVIATION,
    "ROC": Keys(("point", "limit", "within_s"), ("deadband",)),
    "STATE": Keys(("point", "states")),
    "MISMATCH": Keys(("point", "command"), ("limit",)),
    "COMM": Keys(("device",)),
    "LOSS": Keys(("devices_min", "within_s")),
    "BADQ": Keys(("point",)),
    "DEVICE": Keys(("device",)),
}

COMMON: Final = (
    "id",
    "each",
    "type",
    "when",
    "otherwise",
    "on_delay_s",
    "off_delay_s",
    "priority",
    "class",
    "cause",
    "consequence",
    "action",
    "time_to_respond_s",
    "latching",
    "re_alarm_s",
    "shelve_max_s",
    "first_out",
    "follows",
)
_ADDED_BY_LOADER: Final = frozenset({"line", "file"})


@dataclass(slots=True)
class Row:
    """One alarm row with ``each`` filled in, and what is wrong with it."""

    cells: Mapping[str, Any]
    problems: list[Problem] = field(default_factory=list)

    @property
    def type(self) -> str:
        """Return its type; empty if it has none that is known."""
        found = self.cells.get("type")
        return found if isinstance(found, str) and found in TYPES else ""

    def given(self, key: str) -> bool:
        """Return whether the row says something about ``key``."""
        return self.cells.get(key) not in (None, "")

    def problem(self, key: str, wrong: str, remedy: str) -> Problem:
        """Return a problem at a key of this row."""
        name = self.cells.get("id")
        place = f"alarms[{name}].{key}" if isinstance(name, str) and name else f"alarms.{key}"
        return Problem(str(self.cells.get("file", "plant.toml")), int(self.cells.get("line", 0)), place, wrong, remedy)

    def wrong(self, key: str, wrong: str, remedy: str) -> None:
        """Note a problem."""
        self.problems.append(self.problem(key, wrong, remedy))

    def check_keys(self) -> None:
        """Note an unknown type, unknown keys and missing ones."""
        if not self.type:
            found = self.cells.get("type", "")
            self.wrong("type", f"unknown alarm type '{found}'{near(str(found), TYPES)}", f"one of {', '.join(TYPES)}")
            return
        keys = TYPES[self.type]
        known = (*COMMON, *keys.required_or_optional)
        for key in self.cells:
            if key not in known and key not in _ADDED_BY_LOADER:
                self.wrong(key, f"unknown key for type {self.type}{near(key, known)}", f"known: {', '.join(known)}")
        for key in keys.required:
            if not self.given(key):
                self.wrong(key, f"missing; type {self.type} needs it", f"add {key} = ...")

    def text(self, key: str, *, required: bool = False) -> str:
        """Return a text of at most 500 characters; empty if it is not given."""
        found = self.cells.get(key, "")
        if required and found == "":
            self.wrong(key, "missing", f'add {key} = "..."')
        if isinstance(found, str) and len(found) <= TEXT_MAX and found.isprintable():
            return found
        self.wrong(key, "must be a text on one line", f"write it in quotation marks, at most {TEXT_MAX} characters")
        return ""

    def number(self, key: str, default: float) -> float:
        """Return seconds, 0 or more."""
        found = self.cells.get(key, default)
        if isinstance(found, int | float) and not isinstance(found, bool) and 0 <= found <= _SEVEN_DAYS_S:
            return float(found)
        self.wrong(key, f"'{found}' is no number of seconds", f"a number from 0 to {_SEVEN_DAYS_S:g}, such as 60")
        return default

    def flag(self, key: str) -> bool:
        """Return true or false; false if it is not given."""
        found = self.cells.get(key, False)
        if not isinstance(found, bool):
            self.wrong(key, f"'{found}' is neither true nor false", f"write {key} = true, without quotation marks")
            return False
        return found

    def choice(self, key: str, choices: Sequence[str | int], *, required: bool = False) -> str | int | None:
        """Return one of ``choices``, or None if it is not given."""
        found = self.cells.get(key)
        if found is None:
            if required:
                self.wrong(key, "missing", f"one of {', '.join(map(str, choices))}")
            return None
        if isinstance(found, bool) or not isinstance(found, str | int) or found not in choices:
            hint = near(str(found), [str(choice) for choice in choices])
            self.wrong(key, f"'{found}' is not possible{hint}", f"one of {', '.join(map(str, choices))}")
            return None
        return found

    def words(self, key: str) -> tuple[str, ...]:
        """Return a list of texts."""
        found = self.cells.get(key, ())
        if isinstance(found, list | tuple) and found and all(isinstance(word, str) for word in found):
            return tuple(found)
        self.wrong(key, "must be a list of words", f'write it like {key} = ["FAULT"]')
        return ()


def expand(plant: Plant, problems: list[Problem]) -> Iterator[Row]:
    """Yield the rows of a plant, one for each name of ``each``; what is wrong with ``each`` goes to ``problems``."""
    for cells in plant.alarms:
        row = Row(cells)
        if "each" not in cells:
            yield row
            continue
        names = _names(row, plant)
        problems.extend(row.problems)
        for name in names:
            yield Row({key: _filled(value, name) for key, value in cells.items() if key != "each"})


def _names(row: Row, plant: Plant) -> Sequence[str]:
    each = row.cells["each"]
    if isinstance(each, str):
        kinds = {item.kind for item in plant.equipment.values()} | {"device"}
        if each not in kinds:
            row.wrong("each", f"no {each} in this plant{near(each, kinds)}", f"one of {', '.join(sorted(kinds))}")
        return list(plant.devices) if each == "device" else [item.id for item in plant.of_kind(each)]
    names = row.words("each")
    known = (*plant.equipment, *plant.devices, *(header for loop in plant.loops.values() for header in loop.headers))
    for name in names:
        if name not in known:
            row.wrong("each", f"no equipment, device or header '{name}'{near(name, known)}", "name what the plant has")
    if len(names) > EACH_MAX:
        row.wrong("each", f"{len(names)} names", f"at most {EACH_MAX}")
    if "{each}" not in str(row.cells.get("id", "")):
        row.wrong("id", "the same id for each", 'let {each} stand in it, like id = "{each}.FAULT"')
    return () if row.problems else names


def _filled(value: object, name: str) -> object:
    if isinstance(value, str):
        return value.replace("{each}", name)
    if isinstance(value, list | tuple):
        return tuple(_filled(item, name) for item in value)
    return value
