"""What the terminal shows over ssh: never wider than 80 columns, and nothing of an alarm's text lost."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from plantview import cli_ask
from plantview.cli_ask import ask_alarms, ask_values
from plantview.model.plant import Plant

SIGNAL = {
    "name": "CH-1.condenser_entering_water_temperature",
    "quantity": "temperature",
    "unit": "degC",
    "states": {},
}
HELLO: dict[str, Any] = {"signals": [SIGNAL], "simulated": True, "speed": 1.0}
REASON = "the device refused the read: object of that type and number is not in this device, error class object"
ALARM: dict[str, Any] = {
    "priority": 2,
    "since_ms": 1_780_000_000_000,
    "equipment": "CT-1",
    "text": "basin water is colder than the limit of 4.0 °C that protects the basin against freezing, now 3.2 °C",
    "acked": True,
    "acked_by": "a technician with a rather long name",
    "active": False,
    "returned_ms": 1_780_000_100_000,
    "action": "Look at the basin heater and its contactor, then at the float valve; drain the basin if frost is forecast.",
}


@pytest.fixture(autouse=True)
def field(monkeypatch: pytest.MonkeyPatch) -> None:
    answers: dict[str, dict[str, Any]] = {
        "frame": {"now_ms": 1_780_000_000_000, "readings": {SIGNAL["name"]: [None, 3, REASON, 1_780_000_000_000]}},
        "alarms": {"active": [ALARM]},
    }

    async def ask(_path: Path, what: str, *_rest: object) -> tuple[dict[str, Any], dict[str, Any]]:
        return HELLO, answers[what]

    monkeypatch.setattr(cli_ask, "ask_once", ask)


async def test_values_fit_in_80_columns_however_long_the_reason(orchard: Plant, tmp_path: Path) -> None:
    lines = await ask_values(orchard, tmp_path, "", "si")
    assert len(lines) == 2
    assert max(map(len, lines)) <= 80
    assert "?" in lines[1]
    assert "BAD the device refused" in lines[1]


async def test_alarms_are_folded_at_80_columns_and_every_word_is_there(orchard: Plant, tmp_path: Path) -> None:
    lines = await ask_alarms(orchard, tmp_path)
    assert max(map(len, lines)) <= 80
    whole = " ".join(" ".join(lines).split())
    for words in (ALARM["text"], ALARM["action"], ALARM["acked_by"], "back to normal since"):
        assert words in whole
