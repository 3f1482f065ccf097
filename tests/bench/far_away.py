"""The plant over a phone's link: ``python tests/bench/far_away.py``; ``--full`` watches the open page for a minute."""

from __future__ import annotations

import asyncio
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.rows import Figure, heading
from tests.browser.far_away import visit

LINK = "256 kbit/s, 150 ms, 2 % of segments late"


def figures(found: dict[str, Any]) -> Iterator[Figure]:
    """Yield the rows."""
    first, second = found["first_bytes"], found["second_bytes"]
    yield Figure(
        "/m: bytes of the first load", f"{first / 1e3:.1f} kB", "all bytes down the link", "<= 60 kB", first <= 60_000
    )
    yield Figure(
        "/m: first load until live numbers", f"{found['first_s']:.1f} s", LINK, "<= 5 s", found["first_s"] <= 5
    )
    yield Figure(
        "/m: bytes of the second visit",
        f"{second / 1e3:.1f} kB",
        f"first {first / 1e3:.1f} kB",
        "<= 20 kB",
        second <= 20_000,
    )
    steady, points = found["steady_bytes_s"], found["points"]
    yield Figure(
        "/m: steady traffic, both ways", f"{steady / 1e3:.2f} kB/s", f"{points} points", "<= 2 kB/s", steady <= 2_000
    )
    yield Figure(
        "/m: visibly stale after the link died",
        f"{found['stale_s']:.1f} s",
        found["stale_words"][:44],
        "<= 15 s",
        found["stale_s"] <= 15,
    )
    listed = "Vibration high" in found["missed"]
    yield Figure(
        "/m: live again without a touch",
        f"{found['back_s']:.1f} s",
        f"missed alarm listed: {listed}",
        "<= 15 s",
        found["back_s"] <= 15 and listed,
    )
    yield Figure(
        "/m: sideways scroll at 320 px", f"{found['wide_px']} px", "screen 320 px", "0 px", found["wide_px"] <= 0
    )
    small = len(found["small_targets"])
    yield Figure("/m: targets lower than 44 px", str(small), "all links and buttons", "0", small == 0)


def main() -> None:
    """Print the rows."""
    with tempfile.TemporaryDirectory() as folder:
        found = asyncio.run(visit(Path(folder), 60 if "--full" in sys.argv else 15))
    print(heading())
    for figure in figures(found):
        print(figure)


if __name__ == "__main__":
    main()
