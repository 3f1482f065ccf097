"""Every path that the web process answers; all others are 404, because Dash alone would answer 200 to anything."""

from __future__ import annotations

from typing import Final

PAGES: Final = {
    "/": "Plant",
    "/alarms": "Alarms",
    "/points": "Points",
    "/trends": "Trends",
    "/devices": "Devices",
    "/alarms/record": "Alarm record",
    "/alarms/journal": "Journal",
    "/alarms/figures": "Alarm figures",
}
"""Path of a page -> its name; the navigation leads to those at the top level."""
LIVE: Final = "/live"
SCHEMATIC: Final = "/schematic.svg"
ALIVE: Final = "/healthz"
WALL: Final = "/wall"
PHONE: Final = "/m"
PHONE_NOW: Final = "/m/now"
API: Final = "/api/v1"
ACKNOWLEDGE: Final = f"{API}/alarms/acknowledge"
ALARM_ACT: Final = f"{API}/alarms/act"
NOTICE_TEST: Final = f"{API}/alarms/notice-test"
ALARM_READ: Final = tuple(f"{API}/alarms/{name}" for name in ("record", "journal", "figures", "notices"))
LIBRARY: Final = ("/lib/uplot.js", "/lib/uplot.css")
CALLBACK: Final = "/_dash-update-component"

READ: Final = frozenset(
    {
        *PAGES,
        SCHEMATIC,
        WALL,
        PHONE,
        PHONE_NOW,
        *LIBRARY,
        *ALARM_READ,
        ALIVE,
        "/_dash-layout",
        "/_dash-dependencies",
        *(f"{API}/{name}" for name in ("plant", "points", "values", "alarms", "health", "history")),
    }
)
READ_BELOW: Final = ("/assets/", "/_dash-component-suites/")
POSTED: Final = frozenset({CALLBACK, ACKNOWLEDGE, ALARM_ACT, NOTICE_TEST})


def allowed_methods(path: str) -> tuple[str, ...]:
    """Return the methods that a path takes; none for a path that does not exist."""
    if path in POSTED:
        return ("POST",)
    if path in READ or path.startswith(READ_BELOW):
        return ("GET", "HEAD")
    return ()
