"""A settled alarm is left alone, and whatever could matter to it wakes it."""

from __future__ import annotations

from tests.unit.alarm_rig import Rig, row


def settled(*rows: dict[str, object]) -> Rig:
    """Return a plant in good order that was looked at often enough for every alarm to rest."""
    made = Rig(*rows)
    for name, value in (("CH-1.setpoint", 44.0), ("CH-1.chws_temp", 44.0), ("CH-1.status", 1.0)):
        made.set(name, value)
    for at_s in (0.0, 1.0, 2.0):
        made.scan(at_s)
    assert made.engine._quiet._awake == set()
    return made


def test_a_reading_that_is_only_uncertain_wakes_it_all_the_same() -> None:
    made = settled(row("HI"))
    made.doubt("CH-1.chws_temp", 51.0)
    made.scan(3)
    assert made.state() == "UNACK"


def test_a_reading_that_is_stale_or_bad_wakes_no_limit() -> None:
    made = settled(row("HI"))
    made.scan(3, temp=None)
    assert (made.state(), made.engine._quiet._awake) == ("NORM", set())
    made.scan(4, temp=51)
    assert made.state() == "UNACK"


def test_a_deviation_is_seen_however_little_it_is_above_its_limit() -> None:
    # 5e-7 above the limit: a millionth part of it is kept back for what rounding takes away
    made = settled(row("DEV", type="DEV_HI", point="CH-1.chws_temp", setpoint="CH-1.setpoint", limit="2 degF"))
    made.scan(3, temp=46.0)
    assert made.state("DEV") == "NORM", "equal to the limit is no alarm"
    made.scan(4, temp=46.000_000_5)
    assert made.state("DEV") == "UNACK"


def test_a_quiet_alarm_that_is_shelved_comes_off_its_shelf_in_time() -> None:
    made = settled(row("HI"))
    assert made.engine.shelve("HI", "JD", "probe is being changed", 60.0) is None
    made.scan(61.9)
    assert made.state() == "SHLVD"
    made.scan(62)
    assert made.state() == "NORM"
