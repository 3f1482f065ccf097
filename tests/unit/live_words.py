"""A message of the live socket, as a page reads it."""

from __future__ import annotations

import json
import zlib
from typing import Any


def read(message: str | bytes) -> dict[str, Any]:
    """Return what a message says, packed or not."""
    told: dict[str, Any] = json.loads(message if isinstance(message, str) else zlib.decompress(message))
    return told
