"""Python runs this at the start of each process that a test starts with this folder in PYTHONPATH."""

from __future__ import annotations

import os
from pathlib import Path

from wire_guard import REPORT_VARIABLE, WireGuard, install  # type: ignore[import-not-found]  # found by PYTHONPATH

if os.environ.get(REPORT_VARIABLE):
    install(WireGuard(Path(os.environ[REPORT_VARIABLE])))
if os.environ.get("PLANTVIEW_TEST_WIRE_HEARD"):
    from heard import HEARD_VARIABLE, Heard  # type: ignore[import-not-found]  # found by PYTHONPATH

    Heard(Path(os.environ[HEARD_VARIABLE])).install()
