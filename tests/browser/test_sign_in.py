"""Signing in as a person does it: by keyboard, sent back to where one wanted to go, out when the account is gone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from plantview.model.person import Role
from plantview.web.access.accounts import Account, AccountsFile
from tests.browser.seeing import SIZES, seen
from tests.running import Running, running
from tests.unit.access_rig import KEPT, MADE_MS, PASSWORD

pytestmark = [pytest.mark.browser, pytest.mark.timeout(120)]
WITHIN_MS = 20_000


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("data")
    for role in (Role.ADMIN, Role.OPERATOR):
        account = Account(f"{role}-1", role, KEPT, MADE_MS)
        AccountsFile(folder).change(lambda book, account=account: book.with_account(account))  # type: ignore[misc]
    return folder


@pytest.fixture(scope="module")
def plant(data: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(
        ["demo", "--plant", "orchard", "--past", "0", "--data", str(data)], tmp_path_factory.mktemp("run")
    ) as demo:
        demo.wait_line("open http")
        yield demo


def _sign_in(page: Page, name: str) -> None:
    expect(page.locator("#name")).to_be_focused()
    page.keyboard.type(name)
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")


def test_by_keyboard_alone_to_the_page_that_was_wanted_and_out_again(plant: Running, browser: Browser) -> None:
    with seen(browser, f"{plant.url}/points") as watched:
        page = watched.page
        expect(page).to_have_url(re.compile(r"/sign-in\?next=%2Fpoints$"))
        _sign_in(page, "operator-1")
        expect(page).to_have_url(f"{plant.url}/points", timeout=WITHIN_MS)
        expect(page.locator("#who a")).to_have_text("operator-1", timeout=WITHIN_MS)
        expect(page.locator("#link")).to_have_text("LIVE", timeout=WITHIN_MS)
        assert watched.console == []
        page.locator("#who button").focus()
        page.keyboard.press("Enter")
        expect(page).to_have_url(re.compile(r"/sign-in\?next="), timeout=WITHIN_MS)
        page.goto(f"{plant.url}/points")
        expect(page).to_have_url(re.compile(r"/sign-in\?next="))


def test_a_wrong_password_is_said_on_the_page(plant: Running, browser: Browser) -> None:
    with seen(browser, f"{plant.url}/sign-in") as watched:
        watched.page.fill("#name", "operator-1")
        watched.page.fill("#password", "not the password")
        watched.page.keyboard.press("Enter")
        said = watched.page.locator("#answer")
        expect(said).to_have_text(
            "Name and password do not belong together: try again, or ask who keeps the accounts.", timeout=WITHIN_MS
        )


def test_the_pages_pass_the_accessibility_rules_and_fit_every_screen(plant: Running, browser: Browser) -> None:
    for size, theme in zip(SIZES, ("light", "dark", "light"), strict=True):
        with seen(browser, f"{plant.url}/sign-in?next=%2Faccount", size, theme) as watched:
            _look(watched.page)
            watched.page.locator("#name").focus()
            _sign_in(watched.page, "admin-1")
            expect(watched.page.locator("#sessions tbody tr").first).to_be_visible(timeout=WITHIN_MS)
            _look(watched.page)
            assert watched.console == []


def _look(page: Page) -> None:
    found = Axe().run(page).response["violations"]
    assert [(row["id"], [node["target"] for node in row["nodes"]]) for row in found] == []
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0


def test_an_open_page_leads_to_the_sign_in_as_soon_as_its_account_is_gone(
    plant: Running, browser: Browser, data: Path
) -> None:
    with seen(browser, f"{plant.url}/alarms") as watched:
        _sign_in(watched.page, "operator-1")
        expect(watched.page.locator("#link")).to_have_text("LIVE", timeout=WITHIN_MS)
        expect(watched.page.locator("#who a")).to_have_text("operator-1", timeout=WITHIN_MS)
        AccountsFile(data).change(lambda book: book.without_account("operator-1"))
        expect(watched.page).to_have_url(re.compile(r"/sign-in\?next=%2Falarms$"), timeout=WITHIN_MS)
