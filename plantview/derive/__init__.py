"""Values that nobody measures: calculations bound to the equipment of one plant."""

from __future__ import annotations

from plantview.derive.derivation import Derivation

__all__ = ["Derivation"]
