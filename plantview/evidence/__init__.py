"""The evidence package: what one plant did over a while, as one file to mail, and opened again anywhere."""

from __future__ import annotations

from plantview.evidence.gather import Sources, build
from plantview.evidence.opening import unpack
from plantview.evidence.shape import BYTES_MAX, SUFFIX, Opened, Packed

__all__ = ["BYTES_MAX", "SUFFIX", "Opened", "Packed", "Sources", "build", "unpack"]
