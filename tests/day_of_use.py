"""A stretch of ordinary use with the defaults: every page and answer is asked for, alarms are acknowledged, nothing is written.

What the simulated devices are asked is counted at their sockets, in their own process; what each process has loaded
is told by itself at its end.
"""

from __future__ import annotations

import json
import os
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from plantview.web.routes import API, OVERRIDES_HELD, PAGES
from tests.running import Running, running
from tests.wire.wire_guard import CONFIRMED_WRITES, MODBUS_WRITES

HEARD_VARIABLE = "PLANTVIEW_TEST_WIRE_HEARD"
COV = "bacnet 5"
ASKED = ("plant", "points", "values", "alarms", "health", "commands", "alarms/journal", "alarms/figures", "findings")


@dataclass(frozen=True)
class Use:
    """What a stretch of use came to."""

    hours: float
    heard: Counter[str]
    """Requests by service, as they arrived at the simulated devices."""
    loaded: dict[str, list[str]]
    """By process: modules that could write."""
    held: dict[str, Any]
    """The last answer about the priorities that anybody holds."""

    @property
    def writes(self) -> dict[str, int]:
        """Return the requests that change a device."""
        changing = {f"bacnet {number}" for number in CONFIRMED_WRITES} | {
            f"modbus {number}" for number in MODBUS_WRITES
        }
        return {name: count for name, count in self.heard.items() if name in changing}


def use(folder: Path, hours: float, speed: int, arguments: Sequence[str] = ()) -> Use:
    """Run the demo for so many hours of plant time in a folder, and use it; return what was counted."""
    report = folder / "heard.jsonl"
    before = os.environ.get(HEARD_VARIABLE)
    os.environ[HEARD_VARIABLE] = str(report)
    try:
        with running(["demo", "--speed", str(speed), *arguments], folder) as demo:
            demo.until(demo.values, 60.0)
            began_ms = now_ms(demo)
            while (passed_ms := now_ms(demo) - began_ms) < hours * 3_600_000:
                _look_at_everything(demo)
            held = _get(demo, OVERRIDES_HELD)
            demo.stop()
    finally:
        if before is None:
            del os.environ[HEARD_VARIABLE]
        else:
            os.environ[HEARD_VARIABLE] = before
    rows = [json.loads(line) for line in report.read_text(encoding="utf-8").splitlines()]
    told = {row["role"]: row for row in rows}  # the last of each
    heard = Counter(told["simulator"]["heard"])
    return Use(passed_ms / 3_600_000, heard, {role: row["loaded"] for role, row in told.items()}, held)


def now_ms(demo: Running) -> int:
    """Return the plant's time."""
    return round(datetime.fromisoformat(demo.get(f"{API}/health")["now"]).timestamp() * 1_000)


def _look_at_everything(demo: Running) -> None:
    for path in (*PAGES, "/m", "/wall", OVERRIDES_HELD, *(f"{API}/{name}" for name in ASKED)):
        _get(demo, path)
    token = "t" * 43
    for alarm in _get(demo, f"{API}/alarms").get("active", [])[:3]:
        body = {"act": "acknowledge", "about": [alarm["id"]], "person": "op"}
        _post(demo, f"{API}/alarms/act", body, token)
    for act in ("arm", "stage", "commit", "release_all"):
        _post(
            demo,
            f"{API}/commands/act",
            {"act": act, "equipment": "CH-1", "point": "CH-1.setpoint", "value": 45.0},
            token,
        )


def _get(demo: Running, path: str) -> dict[str, Any]:
    try:
        with urllib.request.urlopen(demo.url + path, timeout=20) as answer:
            found = answer.read()
    except urllib.error.HTTPError as error:
        error.close()
        return {}
    try:
        row = json.loads(found)
    except ValueError:
        return {}
    return row if isinstance(row, dict) else {}


def _post(demo: Running, path: str, body: dict[str, Any], token: str) -> None:
    headers = {
        "Content-Type": "application/json", "Origin": demo.url, "Cookie": f"_csrf_token={token}", "X-CSRFToken": token,
    }  # fmt: skip
    request = urllib.request.Request(demo.url + path, json.dumps(body).encode(), headers)
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            answer.read()
    except urllib.error.HTTPError as error:
        error.close()
