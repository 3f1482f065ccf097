"""Attributes with a hyphen for Dash's elements."""

from __future__ import annotations

from typing import Any


def attributes(**values: str) -> dict[str, Any]:
    """Return ``data_signal="x"`` as ``data-signal``, ``aria_label`` as ``aria-label``."""
    return {name.replace("_", "-"): value for name, value in values.items()}
