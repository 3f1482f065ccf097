"""Chromium as the tests use it: Debian's, headless, with nothing that calls out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--font-render-hinting=none",
    "--force-color-profile=srgb",
    "--hide-scrollbars",
]
SIZES = {"wall": (1920, 1080), "laptop": (1366, 768), "phone": (390, 844)}
THEMES = ("light", "dark")


@dataclass
class Seen:
    """A page with everything that it said and asked for."""

    page: Page
    console: list[str] = field(default_factory=list)
    hosts: set[str] = field(default_factory=set)


@contextmanager
def chromium() -> Iterator[Browser]:
    """Run one browser."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def seen(browser: Browser, url: str, size: str = "laptop", theme: str = "light") -> Iterator[Seen]:
    """Open a page in a fresh profile and listen to it from the first byte."""
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme="dark" if theme == "dark" else "light"
    )
    page = context.new_page()
    watched = Seen(page)
    page.on("console", lambda message: watched.console.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: watched.console.append(f"error: {error}"))
    page.on("request", lambda request: watched.hosts.add(urlsplit(request.url).netloc))
    page.on("websocket", lambda opened: watched.hosts.add(urlsplit(opened.url).netloc))
    try:
        page.goto(url)
        yield watched
    finally:
        context.close()
