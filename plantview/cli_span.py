"""``--from`` and ``--to`` of a command: a date or a time of the site, or one with its own offset."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from plantview.errors import StartRefused


def moment_ms(text: str, zone: str, option: str) -> int:
    """Return UTC milliseconds of ``2026-07-01``, ``2026-07-01 14:30`` (of the site) or ``2026-07-01T14:30:00Z``."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise StartRefused(
            f"{option} '{text}' is no time; write 2026-07-01, '2026-07-01 14:30' (time of {zone}) or 2026-07-01T14:30:00Z"
        ) from None
    local = moment if moment.tzinfo is not None else moment.replace(tzinfo=ZoneInfo(zone))
    return round(local.timestamp() * 1_000)


def span_of(from_text: str, to_text: str, zone: str, extent: tuple[int, int] | None) -> tuple[int, int]:
    """Return the span that is asked for, by default all that there is; StartRefused if there is nothing in it."""
    if extent is None:
        raise StartRefused(
            "there is no history in this data folder; run the plant, import a log, or name its folder with --data"
        )
    from_ms = moment_ms(from_text, zone, "--from") if from_text else extent[0]
    to_ms = moment_ms(to_text, zone, "--to") if to_text else extent[1] + 1
    if from_ms >= to_ms:
        raise StartRefused("--from does not lie before --to; change them over or correct one")
    if from_ms > extent[1] or to_ms <= extent[0]:
        first, last = (
            datetime.fromtimestamp(each / 1_000, ZoneInfo(zone)).isoformat(" ", "minutes") for each in extent
        )
        raise StartRefused(f"the history has nothing in this span; it reaches from {first} to {last}")
    return from_ms, to_ms
