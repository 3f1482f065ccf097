"""Faults lay hold of attributes and let them go again, in any order."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Release = Callable[[], None]


class Claims:
    """For each attribute the value before any fault, and who wants what; the latest wins."""

    def __init__(self) -> None:
        self._held: dict[tuple[int, str], tuple[Any, list[tuple[object, Any]]]] = {}

    def claim(self, thing: object, attribute: str, value: object) -> Release:
        """Set ``thing.attribute``; the answer gives it back to whoever else holds it, else to what it was."""
        key, token = (id(thing), attribute), object()
        before, claims = self._held.setdefault(key, (getattr(thing, attribute), []))
        claims.append((token, value))
        setattr(thing, attribute, value)

        def release() -> None:
            claims[:] = [item for item in claims if item[0] is not token]
            setattr(thing, attribute, claims[-1][1] if claims else before)
            if not claims:
                self._held.pop(key, None)

        return release
