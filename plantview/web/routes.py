"""Every path that the web process answers; all others are 404, because Dash alone would answer 200 to anything."""

from __future__ import annotations

from typing import Final

PAGES: Final = {"/": "Plant", "/alarms": "Alarms", "/points": "Points", "/devices": "Devices"}
"""Path of a page -> its name in the navigation."""
LIVE: Final = "/live"
SCHEMATIC: Final = "/schematic.svg"
ALIVE: Final = "/healthz"
API: Final = "/api/v1"
ACKNOWLEDGE: Final = f"{API}/alarms/acknowledge"
CALLBACK: Final = "/_dash-update-component"

READ: Final = frozenset(
    {
        *PAGES,
        SCHEMATIC,
        ALIVE,
        "/_dash-layout",
        "/_dash-dependencies",
        *(f"{API}/{name}" for name in ("plant", "points", "values", "alarms", "health", "history")),
    }
)
READ_BELOW: Final = ("/assets/", "/_dash-component-suites/")
POSTED: Final = frozenset({CALLBACK, ACKNOWLEDGE})


def allowed_methods(path: str) -> tuple[str, ...]:
    """Return the methods that a path takes; none for a path that does not exist."""
    if path in POSTED:
        return ("POST",)
    if path in READ or path.startswith(READ_BELOW):
        return ("GET", "HEAD")
    return ()
