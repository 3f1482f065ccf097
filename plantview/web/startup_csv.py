"""Start-up lists as CSV files, with times in UTC and local, and no cell that a spreadsheet would work out."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from starlette.responses import Response

from plantview.clock import local_text, utc_text
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.signal import Signal

_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
_EVENT: Final = ("source", "kind", "equipment", "point", "before", "after", "text", "person")
_CHECKED: Final = ("hand", "shown", "difference", "tolerance", "verdict", "person", "comment")


def events_file(plant: Plant, rows: Iterable[Mapping[str, Any]]) -> Response:
    """Return the sequence of events, oldest first."""
    head = ("time_utc", "time_local", "maybe_earlier_s", "maybe_later_s", "since_previous_s", *_EVENT)
    lines = [
        (
            utc_text(row["at_ms"]),
            local_text(row["at_ms"], plant.zone),
            _seconds(row["early_ms"]),
            _seconds(row["late_ms"]),
            _seconds(row.get("since_previous_ms")),
            *(row[name] for name in _EVENT),
        )
        for row in rows
    ]
    return _file(f"{plant.id}-events.csv", head, reversed(lines))


def checkout_file(plant: Plant, rows: Iterable[Mapping[str, Any]]) -> Response:
    """Return the checkout sheet; numbers in the unit that the device reports."""
    head = (
        "point", "equipment", "measurement", "device", "address", "unit", "raw", "scaled", "seen_changing", "changes",
        "seen_low", "seen_high", "hand_reading", "scaled_at_check", "difference", "tolerance", "verdict", "initials",
        "comment", "checked_utc",
    )  # fmt: skip
    lines = []
    for row in rows:
        checked = row["checked"] or {}
        lines.append(
            (
                *(row[name] for name in ("point", "equipment", "label", "device", "address", "unit", "raw")),
                row["word"] or row["value"],
                "yes" if row["changes"] else "no",
                row["changes"],
                row["seen_low"],
                row["seen_high"],
                *(checked.get(name) for name in _CHECKED),
                utc_text(checked["at_ms"]) if checked else None,
            )
        )
    return _file(f"{plant.id}-checkout.csv", head, lines)


def report_file(plant: Plant, answer: Mapping[str, Any]) -> Response:
    """Return starts, then times from order to proof, as rows of one shape."""
    head = ("what", "machine", "order_utc", "step", "seconds", "least_s", "most_s", "limit_s", "verdict")
    lines: list[Sequence[Any]] = []
    for start in answer["starts"]:
        steps = {
            "chilled water flow": start["chw_flow_s"],
            "condenser water flow": start["cw_flow_s"],
            "compressor run": start["run_s"],
            **{f"supply within {band} degF for {start['hold_s']:g} s": at for band, at in start["stable_s"].items()},
        }
        at = utc_text(start["enable_ms"])
        lines += [
            (
                "start",
                start["chiller"],
                at,
                step,
                seconds,
                _less(seconds, start["uncertain_s"]),
                seconds,
                None,
                start["state"],
            )
            for step, seconds in steps.items()
        ]
        for step, value in (
            ("overshoot K", start["overshoot_k"]),
            ("least evaporator approach K", start["approach_k"]),
        ):
            lines.append(("start", start["chiller"], at, step, value, None, None, None, start["state"]))
    for proof in answer["times"]:
        for run in proof["runs"]:
            verdict = "late" if run["late"] else "in time"
            lines.append(
                ("order to proof", proof["machine"], utc_text(run["at_ms"]), proof["proof"], run["seconds"],
                 run["least_s"], run["most_s"], proof["timeout_s"], verdict)
            )  # fmt: skip
    return _file(f"{plant.id}-startup.csv", head, lines)


def capture_file(plant: Plant, found: Mapping[str, Any], signals: Mapping[str, Signal]) -> Response:
    """Return every sample of a capture, in order of time; numbers as reported."""
    head = ("time_utc", "time_local", "from_alarm_s", "point", "value", "state", "unit", "quality")
    samples = [
        (at, one["point"], value, quality)
        for one in found["samples"]
        for at, value, quality in zip(one["at_ms"], one["values"], one["quality"], strict=True)
    ]
    lines = [
        (
            utc_text(at),
            local_text(at, plant.zone),
            _seconds(at - found["at_ms"]),
            point,
            value,
            *_described(signals.get(point), value),
            Quality(quality).name,
        )
        for at, point, value, quality in sorted(samples, key=lambda one: one[:2])
    ]
    return _file(f"{plant.id}-capture-{found['id']}.csv", head, lines)


def _described(signal: Signal | None, value: float | None) -> tuple[str, str]:
    if signal is None:
        return "", ""
    word = "" if value is None else signal.states.get(round(value), "")
    return word, "" if signal.states else signal.unit.label


def _less(seconds: float | None, by_s: float) -> float | None:
    return None if seconds is None else max(0.0, seconds - by_s)


def _seconds(ms: int | None) -> str:
    return "" if ms is None else f"{ms / 1_000:.1f}"


def _file(name: str, head: Sequence[str], lines: Iterable[Sequence[Any]]) -> Response:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(head)
    writer.writerows([[_plain(cell) for cell in line] for line in lines])
    said = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8", headers=said)


def _plain(cell: Any) -> Any:  # noqa: ANN401 - whatever a row holds
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) and not _is_number(cell) else cell


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
