"""The example plants as fixtures, for runs of single tests outside the checkout."""

from __future__ import annotations

from pathlib import Path

import pytest

from plantview.config import load_plant
from plantview.model.plant import Plant


@pytest.fixture
def larkfield() -> Plant:
    """Return the large example plant."""
    return load_plant(Path("config/larkfield"))


@pytest.fixture
def orchard() -> Plant:
    """Return the small example plant."""
    return load_plant(Path("config/orchard"))
