"""Every path that the web process answers; all others are 404, because Dash alone would answer 200 to anything."""

from __future__ import annotations

from typing import Final

PAGES: Final = {
    "/": "Plant",
    "/alarms": "Alarms",
    "/trends": "Trends",
    "/points": "Points",
    "/equipment": "Equipment",
    "/performance": "Performance",
    "/startup": "Start-up",
    "/past": "Past",
    "/findings": "Findings",
    "/overrides": "Overrides",
    "/devices": "Devices",
    "/plant/loop": "Loop",
    "/plant/machine": "Machine",
    "/startup/checkout": "Checkout sheet",
    "/startup/captures": "Captures",
    "/startup/report": "Start-up report",
    "/past/loop": "Loop, past",
    "/past/machine": "Machine, past",
    "/past/startup": "Start-up, past",
    "/alarms/record": "Alarm record",
    "/alarms/journal": "Journal",
    "/alarms/figures": "Alarm figures",
    "/findings/offsets": "Offsets",
}
"""Path of a page -> its name; the navigation leads to those at the top level."""
LIVE: Final = "/live"
SCHEMATIC: Final = "/schematic.svg"
ALIVE: Final = "/healthz"
WALL: Final = "/wall"
PHONE: Final = "/m"
HELP: Final = "/help"
PHONE_NOW: Final = "/m/now"
API: Final = "/api/v1"
ACKNOWLEDGE: Final = f"{API}/alarms/acknowledge"
ALARM_ACT: Final = f"{API}/alarms/act"
NOTICE_TEST: Final = f"{API}/alarms/notice-test"
COMMANDS: Final = f"{API}/commands"
OVERRIDES_HELD: Final = f"{COMMANDS}/held"
COMMAND_ACT: Final = f"{COMMANDS}/act"
ALARM_READ: Final = tuple(f"{API}/alarms/{name}" for name in ("record", "journal", "figures", "notices"))
PAST: Final = f"{API}/past"
PAST_MOMENTS: Final = f"{PAST}/moments"
STARTUP_NOW: Final = f"{API}/startup"
STARTUP_EVENTS: Final = f"{STARTUP_NOW}/events"
STARTUP_CHECKOUT: Final = f"{STARTUP_NOW}/checkout"
STARTUP_CAPTURES: Final = f"{STARTUP_NOW}/captures"
STARTUP_REPORT: Final = f"{STARTUP_NOW}/report"
STARTUP_MARK: Final = f"{STARTUP_NOW}/mark"
STARTUP_FAST: Final = f"{STARTUP_NOW}/fast"
STARTUP_CHECK: Final = f"{STARTUP_NOW}/check"
STARTUP_READ: Final = (STARTUP_NOW, STARTUP_EVENTS, STARTUP_CHECKOUT, STARTUP_CAPTURES, STARTUP_REPORT)
STARTUP_POSTED: Final = (STARTUP_MARK, STARTUP_FAST, STARTUP_CHECK)
EVIDENCE: Final = f"{API}/evidence"
FINDINGS: Final = f"{API}/findings"
FINDING_DECIDE: Final = f"{FINDINGS}/decide"
THERMOMETER: Final = f"{FINDINGS}/thermometer"
OFFSETS_FILE: Final = f"{API}/offsets.csv"
EQUIPMENT: Final = f"{API}/equipment"
PERFORMANCE: Final = f"{API}/performance"
SIGN_IN: Final = "/sign-in"
ACCOUNT: Final = "/account"
SESSION: Final = f"{API}/session"
SESSION_BEGIN: Final = f"{SESSION}/begin"
SESSION_END: Final = f"{SESSION}/end"
SESSION_CONFIRM: Final = f"{SESSION}/confirm"
SESSION_HERE: Final = f"{SESSION}/here"
SESSION_PASSWORD: Final = f"{SESSION}/password"
DOCUMENT: Final = f"{API}/openapi.json"
MONITORING: Final = "/metrics"
SESSIONS: Final = f"{API}/sessions"
SESSIONS_END: Final = f"{SESSIONS}/end"
LIBRARY: Final = ("/lib/uplot.js", "/lib/uplot.css")
CALLBACK: Final = "/_dash-update-component"

READ: Final = frozenset(
    {
        *PAGES,
        SCHEMATIC,
        WALL,
        HELP,
        PHONE,
        PHONE_NOW,
        PAST,
        PAST_MOMENTS,
        EVIDENCE,
        *LIBRARY,
        *ALARM_READ,
        *STARTUP_READ,
        ALIVE,
        SIGN_IN,
        ACCOUNT,
        DOCUMENT,
        MONITORING,
        SESSION,
        SESSIONS,
        COMMANDS,
        OVERRIDES_HELD,
        FINDINGS,
        OFFSETS_FILE,
        EQUIPMENT,
        PERFORMANCE,
        "/_dash-layout",
        "/_dash-dependencies",
        *(f"{API}/{name}" for name in ("plant", "points", "values", "alarms", "health", "history")),
    }
)
READ_BELOW: Final = ("/assets/", "/_dash-component-suites/")
SESSION_POSTED: Final = (
    SESSION_BEGIN,
    SESSION_END,
    SESSION_CONFIRM,
    SESSION_HERE,
    SESSION_PASSWORD,
    SESSIONS_END,
)
POSTED: Final = frozenset(
    {
        *SESSION_POSTED,
        *STARTUP_POSTED,
        CALLBACK,
        ACKNOWLEDGE,
        ALARM_ACT,
        NOTICE_TEST,
        COMMAND_ACT,
        FINDING_DECIDE,
        THERMOMETER,
    }
)


def allowed_methods(path: str) -> tuple[str, ...]:
    """Return the methods that a path takes; none for a path that does not exist."""
    if path in POSTED:
        return ("POST",)
    if path in READ or path.startswith(READ_BELOW):
        return ("GET", "HEAD")
    return ()
