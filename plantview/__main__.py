"""``python -m plantview``."""

from __future__ import annotations

import sys

from plantview.cli import main

sys.exit(main())
