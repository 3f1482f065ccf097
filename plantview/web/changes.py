"""Since when everything is as it is, so that a viewer that missed something gets that and no more."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from plantview.web.frame_view import PARTS, FrameView
from plantview.web.snapshot import short

WHOLE: Final = ("alarms", "health")
"""Parts that are replaced as one."""


class Changes:
    """The number of the message in which each name was told last; bounded by the names there are."""

    def __init__(self) -> None:
        self._floor = 0
        """Before this number nothing is known: everything may have changed with it."""
        self._named: dict[str, dict[str, int]] = {part: {} for part in PARTS}
        self._whole: dict[str, int] = {}

    def anew(self, seq: int) -> None:
        """Note that everything may have changed with message ``seq``."""
        self._floor = seq
        self._whole.clear()
        for marks in self._named.values():
            marks.clear()

    def take(self, seq: int, parts: Mapping[str, Any]) -> None:
        """Note what message ``seq`` changed."""
        for part in PARTS:
            self._named[part].update(dict.fromkeys(parts.get(part, ()), seq))
        self._whole.update(dict.fromkeys((part for part in WHOLE if part in parts), seq))

    def known_since(self, seq: int) -> bool:
        """Return whether what changed after message ``seq`` can be told."""
        return seq >= self._floor

    def since(self, seq: int, view: FrameView) -> dict[str, Any]:
        """Return the parts that changed after message ``seq``, as they are now."""
        told: dict[str, Any] = {}
        for part in PARTS:
            held = getattr(view, part)
            rows = {name: held[name] for name, mark in self._named[part].items() if mark > seq and name in held}
            if rows:
                told[part] = rows
        told |= {part: getattr(view, part) for part in WHOLE if self._whole.get(part, 0) > seq}
        if "health" in told:
            told["health"] = short(view.health)
        return told
