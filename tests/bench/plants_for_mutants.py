"""The example plants as fixtures, and examples that are the same every time, for runs of tests against mutants."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import Phase, settings

from plantview.config import load_plant
from plantview.model.plant import Plant

settings.register_profile(
    "mutants", database=None, derandomize=True, max_examples=25, phases=(Phase.explicit, Phase.generate)
)
settings.load_profile("mutants")


@pytest.fixture
def larkfield() -> Plant:
    """Return the large example plant."""
    return load_plant(Path("config/larkfield"))


@pytest.fixture
def orchard() -> Plant:
    """Return the small example plant."""
    return load_plant(Path("config/orchard"))
