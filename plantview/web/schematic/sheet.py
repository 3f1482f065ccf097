"""Texts and live values, each with its room reserved before it has anything to say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final
from xml.sax.saxutils import escape

from plantview.model.signal import Signal
from plantview.units import shown
from plantview.web.schematic import labels, sizes
from plantview.web.schematic.geometry import Box
from plantview.web.schematic.scene import Words
from plantview.web.schematic.svg import element, group, title

UNIT_SHARE: Final = 0.56
"""Size of a unit beside its number."""
SIGN_SHARE: Final = 1.0
"""Room left of a number for a badge or a hand mark, in text heights."""

_WIDEST: Final = {
    "temperature": "188.8",
    "temperature_difference": "88.8",
    "flow": "8888.8",
    "heat_flow": "8888",
    "power": "888.8",
    "percent": "100",
    "humidity": "100",
    "efficiency": "8.888",
    "ratio": "88.88",
    "pressure_difference": "888.8",
    "length": "88.88",
    "conductivity": "8888",
}
_WIDEST_OTHER: Final = "88888"
_NOWHERE: Final = Box(0.0, 0.0, 0.0, 0.0)
_VALVE_WIDEST: Final = "CLOSED"


class Sheet:
    """Collects the texts of one drawing."""

    def __init__(self, signals: Mapping[str, Signal], small: float = sizes.SMALL, unit: float = sizes.UNIT) -> None:
        """Draw values of these signals only: what nobody measures is not drawn.

        ``small`` and ``unit`` are the least sizes of captions and of units.
        """
        self.signals = signals
        self.small, self.unit = small, unit
        self.words: list[Words] = []

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        class_: str = "label",
        anchor: str = "start",
        bold: bool = False,
        room: float = 0.0,
        on: str = "",
        fit: bool = False,
        turn: str = "",
        basis: str = "",
        squeeze: float = 0.0,
    ) -> str:
        """Return a text whose baseline is at ``y``; ``room`` reserves more than its present width.

        ``basis`` is a flow key: the text then says "inferred" while that flow is inferred.
        ``squeeze`` is the width into which the text is set, whatever its own.
        """
        wide = squeeze or max(room, labels.width(text, size, bold, labels.BOLD_SPACING if bold else 0.0))
        self._reserve(x, y, wide, size, anchor, Words(_NOWHERE, text, on, turn))
        return element(
            "text",
            escape(text),
            class_=class_,
            x=x,
            y=y,
            font_size=size,
            text_anchor="" if anchor == "start" else anchor,
            data_fit=room if fit else "",
            data_basis=basis,
            textLength=squeeze or "",
            lengthAdjust="spacingAndGlyphs" if squeeze else "",
        )

    def value(
        self,
        name: str,
        x: float,
        y: float,
        size: float,
        *,
        anchor: str = "start",
        unit: str = "",
        caption: str = "",
        form: str = "",
        on: str = "",
        class_: str = "",
        unit_si: str = "",
        tight: bool = False,
        branch: str = "",
        turn: str = "",
        valve: str = "",
        ends: tuple[str, str] | None = None,
    ) -> str:
        """Return the live value of a signal, or nothing where the plant has no such signal.

        ``unit`` replaces the unit's label, ``unit_si`` only for viewers in SI. A ``tight`` value has no room
        for a sign: its unit makes way for one. ``branch`` holds the keys of the flows whose standing
        still makes its water stand still. ``valve`` is the valve whose condition says the word for its position.
        ``ends`` are those of a pipe in which water flows either way: its arrow says which, the number is bare.
        """
        signal = self.signals.get(name)
        if signal is None:
            return ""
        lead = ""
        if caption:
            small = max(self.small, size * UNIT_SHARE)
            lead = self.text(x, y, caption, small, class_="label", on=on)
            x += labels.width(caption, small) + 8
        wide = self.room(name, size, unit, form) - (size * SIGN_SHARE if tight else 0)
        box = self._reserve(x, y, wide, size, anchor, Words(_NOWHERE, f"{{{name}}}", on, turn))
        spoken = f"{signal.equipment} {signal.label}"
        body = title(spoken) + element("rect", class_="hit", x=box.x, y=box.y, width=box.w, height=box.h, rx=4)
        body += self._void(x, box, size, anchor) + self._line(x, y, size, anchor)
        return lead + group(
            body,
            class_=" ".join(filter(None, ("value bad", "tight" if tight else "", class_))),
            data_signal=name,
            data_unit=unit,
            data_unit_si=unit_si,
            data_form=form,
            data_branch=branch,
            data_valve=valve,
            data_ends=" ".join(ends or ()),
            tabindex="0",
            role="button",
            aria_label=spoken,
        )

    def room(self, name: str, size: float, unit: str = "", form: str = "") -> float:
        """Return the width that a value may come to need, with its sign."""
        signal = self.signals.get(name)
        if signal is None:
            return 0.0
        if form == "valve":
            return labels.width(_VALVE_WIDEST, size, True, labels.BOLD_SPACING) + size * SIGN_SHARE
        number = labels.width(_WIDEST.get(signal.quantity, _WIDEST_OTHER), size, True)
        units = [unit] if unit else [shown(signal.quantity, system)[0].label for system in ("si", "ip")]
        small = max(self.unit, size * UNIT_SHARE)
        return number + max(labels.width(text, small) for text in units) + size * (0.25 + SIGN_SHARE)

    def _line(self, x: float, y: float, size: float, anchor: str) -> str:
        number = element("tspan", "?", class_="number") + element(
            "tspan", " ", class_="unit", dx=size * 0.2, font_size=max(self.unit, size * UNIT_SHARE)
        )
        return element(
            "text",
            number,
            class_=f"line {anchor}",
            x=x,
            y=y,
            font_size=size,
            text_anchor="" if anchor == "start" else anchor,
        )

    def _void(self, x: float, box: Box, size: float, anchor: str) -> str:
        wide = min(size * 2.1, box.w)
        left = {"start": x, "middle": x - wide / 2, "end": x - wide}[anchor]
        return group(
            element("rect", x=left, y=box.y + 1, width=wide, height=box.h - 2, fill="url(#hatch)")
            + element(
                "text",
                "?",
                x=left + wide / 2,
                y=box.y + box.h / 2 + size * 0.33,
                font_size=max(self.small, size * 0.9),
                text_anchor="middle",
            ),
            class_="void",
        )

    def _reserve(self, x: float, y: float, wide: float, size: float, anchor: str, words: Words) -> Box:
        left = {"start": x, "middle": x - wide / 2, "end": x - wide}[anchor]
        top = size * labels.CAP_HEIGHT + size * 0.1
        box = Box(left, y - top, wide, top + size * labels.DESCENT)
        self.words.append(replace(words, box=box))
        return box
