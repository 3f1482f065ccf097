"""The devices page in a real browser: one row per device, and what it opens to."""

from __future__ import annotations

import pytest
from playwright.async_api import Browser, expect

from tests.unit.test_web_pages import PLANT, WAIT_MS, Site, browser, opened, site

__all__ = ["browser", "site"]
pytestmark = [pytest.mark.browser, pytest.mark.timeout(90), pytest.mark.asyncio(loop_scope="module")]


async def test_a_device_opens_to_its_last_exchanges_and_closes_again(site: Site, browser: Browser) -> None:
    page = await opened(browser, site, "/devices")
    rows = page.locator("#devices-rows > tr")
    await expect(rows).to_have_count(len(PLANT.devices), timeout=WAIT_MS)
    opener = page.locator("#devices-rows .opener").nth(1)
    await opener.click()
    await expect(opener).to_have_attribute("aria-expanded", "true")
    await expect(page.locator(".device-detail .exchanges tbody tr")).to_have_count(1, timeout=WAIT_MS)
    await expect(page.locator(".device-detail .exchanges tbody td.octets").first).to_have_text("00")
    await page.locator("#devices-rows .opener").nth(0).click()
    await expect(page.locator(".device-detail")).to_have_count(1)
    await expect(opener).to_have_attribute("aria-expanded", "false")
    await page.locator("#devices-rows .opener").nth(0).click()
    await expect(rows).to_have_count(len(PLANT.devices))
    assert site.told == []
