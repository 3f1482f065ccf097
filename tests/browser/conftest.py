"""What the browser tests share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser.seeing import chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Return one browser for a module."""
    with chromium() as opened:
        yield opened
