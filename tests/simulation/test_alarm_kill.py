"""A process killed in the middle of its alarms (SIGKILL): the next one forgets none and invents none."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import CHECKOUT
from tests.unit.alarm_rig import Rig, row

ROWS = (
    row("SEEN"),
    row("UNSEEN", limit="51 degF"),
    row("ASIDE", limit="49 degF", latching=True),
    row("QUIET", limit="90 degF"),
)
VICTIM = """
import sys
from pathlib import Path
from tests.simulation.test_alarm_kill import ROWS
from tests.unit.alarm_rig import Rig
rig = Rig(*ROWS, folder=Path(sys.argv[1]))
rig.scan(0, temp=53)
rig.engine.acknowledge("SEEN", "JD", "on my way")
rig.engine.shelve("ASIDE", "JD", "part ordered", 3600.0)
print("ready", flush=True)
sys.stdin.read()
"""


@pytest.mark.parametrize("step_s", [0.0, 3_600.0, -3_600.0])
def test_after_a_kill_every_alarm_stands_where_it_stood_whatever_the_clock_says(tmp_path: Path, step_s: float) -> None:
    command = [sys.executable, "-c", VICTIM, str(tmp_path)]
    with subprocess.Popen(command, cwd=CHECKOUT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as victim:
        assert victim.stdout is not None
        assert victim.stdout.readline() == "ready\n"
        victim.send_signal(signal.SIGKILL)
        victim.wait(timeout=10)
    rig = Rig(*ROWS, folder=tmp_path)
    rig.clock.go_to(60)
    rig.clock.step(step_s)
    assert [rig.state(name) for name in ("SEEN", "UNSEEN", "ASIDE", "QUIET")] == ["ACKED", "UNACK", "SHLVD", "NORM"]
    rig.scan(61, temp=53)
    assert [entry.alarm for entry in rig.entries if entry.annunciated] == []
    record = {one["id"]: one for one in rig.engine.snapshot()["active"]}["SEEN"]
    assert (record["acked_by"], record["comment"]) == ("JD", "on my way")
    assert rig.engine.health() == ""
