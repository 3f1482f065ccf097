"""What a package holds: names, bounds and the manifest. Nothing else is taken out of a package.

manifest.json            format, versions, plant, span, how many samples, what was left out, SHA-256 of every file
plant/*.toml, *.csv      the plant description without secrets
data/history/*.db        readings at full rate, as the history keeps them
data/alarms.db           the alarm journal of the span, and where each alarm stood when it begins
data/startup.db          marks and the sequence of events of the span, the checkout sheet, times from order to proof
data/captures/*.gz       what was recorded around each trip of the span
about/*.json             device health with clock offsets, alarms at the end, audit head, what a preflight would say
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

FORMAT: Final = 1
SUFFIX: Final = ".plantview.zip"
MANIFEST: Final = "manifest.json"
BYTES_MAX: Final = 10_000_000
"""Many mail servers refuse more (common practice, no source)."""
DAY_MS: Final = 86_400_000
SPAN_MS_MAX: Final = 31 * DAY_MS

CAPTURE: Final = r"\d{13}-[A-Za-z0-9._-]{1,100}\.jsonl\.gz"
"""Name of a file with what was recorded around a trip: its moment, its alarm."""
NAMES: Final = re.compile(
    r"manifest\.json"
    r"|plant/[A-Za-z0-9_-]{1,60}\.(?:toml|csv)"
    r"|data/(?:alarms|startup)\.db"
    rf"|data/captures/{CAPTURE}"
    r"|data/history/\d{4}-\d{2}(?:\.sums)?\.db"
    r"|about/[a-z_]{1,40}\.json"
)
"""The only names there are; no package reaches a path outside its folder, because no such name matches."""
FILES_MAX: Final = 180
FILE_BYTES_MAX: Final = 400_000_000
UNPACKED_BYTES_MAX: Final = 600_000_000
PACKED_BYTES_MAX: Final = 200_000_000
MANIFEST_BYTES_MAX: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class Packed:
    """What became of a request for a package."""

    path: Path
    from_ms: int
    to_ms: int
    asked_from_ms: int
    """Earlier than ``from_ms`` where the whole span was too large for the bound."""
    samples: int
    size: int

    @property
    def shortened(self) -> bool:
        """Return whether the span had to be cut to stay within the bound."""
        return self.from_ms > self.asked_from_ms


@dataclass(frozen=True, slots=True)
class Opened:
    """A package that was unpacked and verified."""

    plant: Path
    """Folder of the plant description."""
    data: Path
    """Folder of its data."""
    manifest: dict[str, Any]

    @property
    def span(self) -> tuple[int, int]:
        """Return the first moment and the end, UTC milliseconds."""
        return int(self.manifest["from_ms"]), int(self.manifest["to_ms"])


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
