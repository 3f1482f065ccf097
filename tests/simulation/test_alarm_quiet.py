"""Looking only at alarms about which something can have changed gives the same journal as looking at all of them."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plantview.alarms.quiet import Quiet
from tests.unit.alarm_rig import Rig, row

GATE = "CH-1.status is RUN for 30 s and CH-1.load_pct above 40 %"
ROWS = (
    row("HI", limit="48 degF", deadband="1 degF"),
    row("HIHI", type="HIHI", limit="52 degF"),
    row("LO", type="LO", point="CH-1.chw_flow", limit="100 gpm", deadband="5 gpm", on_delay_s=20, off_delay_s=10),
    row(
        "DEV",
        type="DEV_HI",
        setpoint="CH-1.setpoint",
        point="CH-1.chws_temp",
        limit="3 degF",
        deadband="1 degF",
        on_delay_s=5,
    ),
    row("GATED", type="HI", limit="47 degF", point="CH-1.chws_temp", deadband="0 degF", when=GATE, latching=True),
    row("NORMAL", type="LO", point="CH-1.chw_flow", limit="200 gpm", deadband="0 gpm", when=GATE, otherwise="normal"),
    row("ROC", type="ROC", point="CH-1.chws_temp", limit="4 degF", within_s=30, deadband="0 degF"),
    row("STATE", type="STATE", point="CH-1.mode", states=["OFF"], when="CH-1.status is RUN", first_out="G"),
    row("RUN", type="MISMATCH", point="CHWP-1.status", command="CHWP-1.command", on_delay_s=15, first_out="G"),
    row("VALVE", type="MISMATCH", point="V-1.position", command="V-1.command", limit="10 %", on_delay_s=10),
    row("BAD", type="BADQ", point="CH-1.chws_temp", on_delay_s=10),
    row("AGAIN", limit="49 degF", re_alarm_s=60),
    row("EVENT", consequence=None, limit="46 degF"),
    row("LOSS", type="LOSS", devices_min=2, within_s=30),
    row("A", type="COMM", device="D-1", on_delay_s=30),
    row("B", type="COMM", device="D-2"),
)
VALUES: dict[str, tuple[float | None, ...]] = {
    "CH-1.chws_temp": (None, 44.0, 46.5, 48.0, 49.5, 53.0),
    "CH-1.setpoint": (None, 44.0, 47.0),
    "CH-1.chw_flow": (None, 0.0, 100.0, 150.0, 400.0),
    "CH-1.load_pct": (None, 30.0, 60.0),
    "CH-1.status": (None, 0.0, 1.0),
    "CH-1.mode": (None, 0.0, 3.0),
    "CHWP-1.command": (0.0, 1.0),
    "CHWP-1.status": (None, 0.0, 1.0),
    "V-1.command": (0.0, 50.0),
    "V-1.position": (None, 0.0, 45.0),
}
CHANGES = st.sampled_from([(name, value) for name, values in VALUES.items() for value in values])
ACTS = st.sampled_from(
    [("acknowledge", ("JD",)), ("reset", ("JD",)), ("shelve", ("JD", "known", 40.0)), ("shelve", ("JD", "known", None)),
     ("unshelve", ("JD",)), ("out_of_service", ("JD", "broken")), ("in_service", ("JD",))]
)  # fmt: skip
ALARMS = st.sampled_from([str(cells["id"]) for cells in ROWS])
STEPS = st.lists(
    st.tuples(
        st.lists(CHANGES, max_size=3),
        st.none() | st.sampled_from([(), ("D-1",), ("D-2",), ("D-1", "D-2")]),
        st.none() | st.tuples(ALARMS, ACTS),
        st.sampled_from([1.0, 5.0, 31.0, 70.0]),
    ),
    max_size=25,
)


def live(steps: list[Any], *, quiet: bool) -> tuple[list[Any], list[Any], int]:
    """Return journal, final list and how often an alarm was judged."""
    rig = Rig(*ROWS)
    judged = 0
    watcher: Quiet = rig.engine._quiet
    look = watcher.awake

    def counted(*given: Any) -> Any:
        nonlocal judged
        if not quiet:
            watcher._awake.update(range(len(ROWS)))
        found = look(*given)
        judged += len(found)
        return found

    watcher.awake = counted  # type: ignore[method-assign, assignment]
    for name, values in VALUES.items():
        rig.set(name, values[-1])
    now_s = 0.0
    for changes, silent, act, seconds in steps:
        now_s += seconds
        rig.clock.go_to(now_s)
        for name, value in changes:
            rig.set(name, value)
        if silent is not None:
            rig.silent = dict.fromkeys(silent, "no answer")
        if act is not None:
            getattr(rig.engine, act[1][0])(act[0], *act[1][1])
        rig.scan()
    listed = rig.engine.snapshot()
    return rig.lines(), [listed["active"], listed["shelved"], listed["suppressed_ids"], listed["frozen"]], judged


@settings(max_examples=150, deadline=None, derandomize=True)
@given(STEPS)
@pytest.mark.timeout(120)
def test_a_settled_alarm_is_left_alone_and_nothing_is_missed(steps: list[Any]) -> None:
    thrifty, everything = live(steps, quiet=True), live(steps, quiet=False)
    assert thrifty[:2] == everything[:2]
    assert thrifty[2] <= everything[2]


def test_a_quiet_plant_judges_almost_nothing() -> None:
    minutes = [([("CH-1.chws_temp", 44.0)], None, None, 60.0)] * 20
    assert live(minutes, quiet=True)[2] < live(minutes, quiet=False)[2] / 3
