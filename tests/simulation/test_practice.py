"""The practice demo as a crew uses it: arm, look, confirm, read back, stop; one write and one release leave the program."""

from __future__ import annotations

import json
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from plantview.audit import verify
from tests.browser.seeing import chromium, seen
from tests.running import Running, running

POINT = "chw-supply.setpoint"


class Trainee:
    """A browser without a page: it has the cookie and sends it back as our own pages do."""

    def __init__(self, demo: Running) -> None:
        self._demo = demo
        with urllib.request.urlopen(demo.url, timeout=5) as page:
            self._token = page.headers["set-cookie"].split(";")[0].partition("=")[2]

    def act(self, name: str, **body: Any) -> dict[str, Any]:
        """Do one act; return the answer, also a refusal."""
        headers = {
            "Content-Type": "application/json", "Origin": self._demo.url, "X-CSRFToken": self._token,
            "Cookie": f"_csrf_token={self._token}",
        }  # fmt: skip
        data = json.dumps({"act": name, **body}).encode()
        request = urllib.request.Request(f"{self._demo.url}/api/v1/commands/act", data, headers)
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                found: dict[str, Any] = json.load(answer)
        except urllib.error.HTTPError as error:
            found = json.load(error)
        return found

    def state(self) -> dict[str, Any]:
        found: dict[str, Any] = self._demo.get("/api/v1/commands")
        return found


@pytest.mark.browser
@pytest.mark.commands_equipment
@pytest.mark.timeout(120)
def test_a_crew_rehearses_a_command_and_the_stop_releases_it(
    tmp_path: Path, write_frames: Callable[[], list[str]]
) -> None:
    with running(["demo", "--practice", "--past", "0"], tmp_path) as demo:
        demo.wait_line("open http")
        trainee = Trainee(demo)
        demo.until(lambda: trainee.state()["enabled"] and not trainee.state()["trouble"])
        with (
            urllib.request.urlopen(f"{demo.url}/wall", timeout=5) as wall,
            urllib.request.urlopen(f"{demo.url}/m", timeout=5) as phone,
        ):
            assert b"PRACTICE" in wall.read()
            assert b"PRACTICE" in phone.read()
        _dialog(demo)
        assert write_frames() == []
        assert trainee.act("arm", equipment="chw-supply", reason="rehearse it")["arms"]
        order = demo.until(lambda: _token(trainee.act("stage", point=POINT, value=45.0, unit="degF")))
        kept = {name: order[name] for name in ("token", "point", "value", "priority")}
        refused = trainee.act("commit", **kept, typed="chw-supply")
        assert refused["remedy"] == "rule: too_fast"
        order = trainee.act("stage", point=POINT, value=45.0, unit="degF")
        kept = {name: order[name] for name in ("token", "point", "value", "priority")}
        demo.until(lambda: trainee.state()["now_ms"] > order["expires_ms"] - 7_200_000 + 1_500)
        assert trainee.act("commit", **kept, typed="chw-supply")["state"] == "VERIFYING"
        demo.until(lambda: trainee.state()["overrides"][0]["result"] == "VERIFIED")
        demo.until(lambda: demo.values()[POINT]["value"] == 45.0)
        assert write_frames() == ["WriteProperty"]
        assert demo.stop() == 0
    assert write_frames() == ["WriteProperty"] * 2
    data = tmp_path / "plantview-data" / "larkfield"
    assert verify(data, data / "audit-anchor").holds
    shown = subprocess.run(
        [sys.executable, "-m", "plantview", "audit", "show", "larkfield"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert "orderly stop" in shown
    told = [line for line in shown.splitlines() if "access:" not in line]
    assert "RELEASED" in told[-2]
    assert "program stop" in told[-1]


def _dialog(demo: Running) -> None:
    """By keyboard: arm, look, and leave again. Cancel has the focus, Confirm opens by the typed name, nothing is sent."""
    with chromium() as browser, seen(browser, f"{demo.url}/overrides", "phone", "dark") as watched:
        page = watched.page
        page.wait_for_selector("#arm-equipment")
        page.select_option("#arm-equipment", "CH-1")
        page.fill("#arm-reason", "rehearse it by keyboard")
        page.get_by_role("button", name="Arm for 15 min").press("Enter")
        page.wait_for_selector("#command-strip:has-text('CH-1 armed by')")
        page.select_option("#order-point", "CH-1.setpoint")
        page.fill("#order-value", "45")
        page.get_by_role("button", name="Look at it first").press("Enter")
        page.wait_for_selector("dialog[open]")
        assert page.evaluate("document.activeElement.textContent") == "Cancel"
        sure = page.locator("dialog button.sure")
        assert sure.is_disabled()
        assert all(
            one["height"] >= 44
            for one in page.locator("dialog button").evaluate_all(
                "all => all.map((one) => one.getBoundingClientRect().toJSON())"
            )
        )
        assert "Not lockout: lock and tag at the disconnect" in page.inner_text("dialog")
        assert "raw 450" in page.inner_text("dialog")
        assert Axe().run(page).violations_count == 0
        page.locator("#dialog-typed").press_sequentially("CH-2")
        page.wait_for_timeout(1_200)  # the second that nobody may be faster than
        assert sure.is_disabled()
        page.locator("#dialog-typed").fill("CH-1")
        assert sure.is_enabled()
        page.keyboard.press("Escape")
        page.wait_for_selector("dialog", state="detached")
        for path in ("/m", "/wall", "/"):  # everybody sees it, wherever they look
            other = page.context.new_page()
            other.goto(demo.url + path)
            other.wait_for_selector(":is(#armed, #command-strip):has-text('CH-1 armed by')")
            other.close()
        page.get_by_role("button", name="Disarm").press("Enter")
        page.wait_for_selector("#commands-answer:has-text('disarmed')")
        assert watched.console == []


def _token(answer: dict[str, Any]) -> dict[str, Any] | None:
    return answer if "token" in answer else None
