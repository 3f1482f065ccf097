"""How overrides stand, as signals of the plant, and the alarms on them: added only where something may be written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from plantview.model.plant import Plant
from plantview.model.signal import Signal
from plantview.units import unit

PERIOD_S: Final = 5.0
STATES: Final[Mapping[int, str]] = {
    0: "NONE", 1: "HELD", 2: "NOT RELEASED", 3: "OTHER WRITER", 4: "HELD BACK", 5: "UNKNOWN", 6: "STANDING",
}  # fmt: skip
"""As ``commands.keeper.MOVES``, repeated here because that module is not loaded by default; a test compares them."""
TROUBLE: Final = "PLANT.command_record"
_ROWS: Final = (
    (
        "NOT-RELEASED", "NOT RELEASED", 1, "An override is over its time and its release is not proven",
        "The equipment goes on with a value that nobody wants any more",
        "Look at the device and at the link to it; give the point back at the device or at its controller's panel",
    ),
    (
        "OTHER-WRITER", "OTHER WRITER", 2, "Another program or panel wrote over an override of ours",
        "Two hands steer the same point; ours has let go",
        "Find out who wrote (overrides page); agree; then mark it as seen there",
    ),
    (
        "HELD-BACK", "HELD BACK", 2, "A release could start a machine that has a work notice",
        "The override stays until the notice is removed",
        "Talk to the person on the notice; when all are clear have it removed, or release at the device",
    ),
    (
        "WRITE-UNKNOWN", "UNKNOWN", 2, "A device did not answer a write",
        "Nobody knows whether the value stands",
        "Do not write again; restore the link, the next reading decides",
    ),
    (
        "STANDING", "STANDING", 3, "An override was renewed again and again and has stood for a day or more",
        "The plant goes on without its own control of this point, and nobody may remember why",
        "Ask whoever is named on the overrides page; release it, or have the plant's own setpoint changed",
    ),
)  # fmt: skip


def override_name(point: str) -> str:
    """Return the signal that tells how the override of a point stands."""
    return f"{point}_override"


def command_signals(plant: Plant) -> dict[str, Signal]:
    """Return the signals of the listed points; none where nothing may be written."""
    if not plant.writes.active:
        return {}
    found = {}
    for name in plant.writes.permits:
        point = plant.points[name]
        signal = override_name(name)
        found[signal] = _state(signal, point.equipment, f"override of {point.label or point.measurement}", STATES)
    found[TROUBLE] = _state(TROUBLE, "PLANT", "record of commands", {0: "WRITTEN", 1: "CANNOT BE WRITTEN"})
    return found


def with_command_alarms(plant: Plant) -> Plant:
    """Return the plant with the alarms on its overrides; as it is where nothing may be written."""
    if not plant.writes.active:
        return plant
    rows: list[Mapping[str, Any]] = [
        {
            "id": f"{name}.{code}", "type": "STATE", "point": override_name(name), "states": [state],
            "on_delay_s": 0, "off_delay_s": 0, "priority": priority, "class": "system", "cause": cause,
            "consequence": consequence, "action": action, "time_to_respond_s": 600, "line": 0, "file": "plant.toml",
        }
        for name in plant.writes.permits
        for code, state, priority, cause, consequence, action in _ROWS
    ]  # fmt: skip
    rows.append(
        {
            "id": "PLANT.COMMAND-RECORD", "type": "STATE", "point": TROUBLE, "states": ["CANNOT BE WRITTEN"],
            "on_delay_s": 0, "off_delay_s": 10, "priority": 2, "class": "system", "line": 0, "file": "plant.toml",
            "cause": "Disk full or damaged: the record of commands cannot be written",
            "consequence": "No command and no release is carried out; overrides stay beyond their time",
            "action": "Make room on the disk of the data folder; release at the device what must not wait",
            "time_to_respond_s": 600,
        }
    )  # fmt: skip
    return replace(plant, alarms=(*plant.alarms, *rows))


def _state(name: str, equipment: str, label: str, states: Mapping[int, str]) -> Signal:
    return Signal(
        name,
        equipment,
        name.partition(".")[2],
        "state",
        unit("state", "state"),
        label,
        states,
        PERIOD_S,
        "",
        "",
        (),
        "",
    )
