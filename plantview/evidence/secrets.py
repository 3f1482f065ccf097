"""A plant description without what opens doors: lines that name a secret, names and passwords within addresses."""

from __future__ import annotations

import re
from typing import Final

SECRET: Final = re.compile(
    r"""["']?[\w.-]*(?:passw|passphrase|secret|token|credential|api[_-]?key|private[_-]?key|community)[\w.-]*["']?\s*[:=]""",
    re.IGNORECASE,
)
DATABASE: Final = re.compile(r"""^\s*history\s*=\s*["']\w+://""")
"""Where the history is kept; the package brings its own."""
USER: Final = re.compile(r"(?<=://)[^/@\s\"']+@")
REMOVED: Final = "# a line was removed here: it is no part of an evidence package"


def without_secrets(text: str) -> tuple[str, int]:
    """Return the text, and how many lines were removed or shortened."""
    lines, changed = [], 0
    for line in text.splitlines():
        kept = REMOVED if SECRET.search(line) or DATABASE.search(line) else USER.sub("", line)
        changed += kept != line
        lines.append(kept)
    return "\n".join(lines) + "\n", changed
