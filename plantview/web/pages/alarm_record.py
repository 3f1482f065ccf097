"""``/alarms/record?id=ALARM``: one alarm with cause, consequence, action, the trend around it and its history."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.pages.alarm_links import alarm_links
from plantview.web.pages.tables import empty, table

HISTORY: Final = ("Time", "Change", "Text", "Person")


def layout(_view: FrameView) -> list[Any]:
    """Return the page; the script reads the alarm's name from the address."""
    return [
        html.H2("Alarm", id="record-title"),
        alarm_links(),
        html.Div(id="record-acts", role="group", className="acknowledge", **attributes(aria_label="Acts")),
        html.P(id="record-answer", role="status", className="summary"),
        html.Div(
            [
                html.Section(id="record-now", **attributes(aria_label="Present state")),
                html.Section(id="record-do", **attributes(aria_label="What to do")),
                html.Section(id="record-device", hidden=True, **attributes(aria_label="What the device says")),
                html.Section(id="record-trend", **attributes(aria_label="Trend around the alarm")),
                html.Section(id="record-rule", **attributes(aria_label="How it is set")),
            ],
            className="record",
        ),
        html.H2("History"),
        table("history", "What happened to this alarm, newest first", HISTORY),
        empty("Nothing is written of it.", "/alarms", "All alarms"),
    ]
