"""What every test may use, and what no test may do: leave this machine, or write to equipment unasked."""

from __future__ import annotations

import os
import shutil
import socket
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from plantview.config import load_plant
from plantview.config.ports import free_port
from plantview.model.plant import Plant
from tests.wire.wire_guard import FOLDER, REPORT_VARIABLE, WireGuard, install, rows

CHECKOUT = Path(__file__).resolve().parent.parent
REPORT = Path(tempfile.mkdtemp(prefix="plantview-wire-")) / "report.jsonl"

# at import, so that no module is collected, and no process started, without it
install(WireGuard(REPORT))
os.environ["PYTHONPATH"] = str(FOLDER)
os.environ[REPORT_VARIABLE] = str(REPORT)

told_so_far = 0
writes_by_outsiders = 0
writes_on_purpose = 0
writes_late = 0


@pytest.fixture(autouse=True)
def wire(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a test that left this machine, or in which a write service left a process.

    A test that itself plays an outsider who writes to the simulated plant says so with
    ``@pytest.mark.outsider_writes``.
    """
    global told_so_far, writes_by_outsiders, writes_on_purpose  # noqa: PLW0603 - one wire, one count for the whole session
    yield
    told, told_so_far = rows(REPORT, told_so_far)
    left = [row for row in told if row["kind"] == "left"]
    writes = [row for row in told if row["kind"] == "write"]
    assert not left, f"a test left this machine: {left}"
    if request.node.get_closest_marker("outsider_writes"):
        writes_by_outsiders += len(writes)
    elif request.node.get_closest_marker("commands_equipment"):
        writes_on_purpose += len(writes)
    else:
        assert not writes, f"a write service was sent: {writes}"


def pytest_configure(config: pytest.Config) -> None:
    """With workers this process runs no test: each worker, and what it starts, reports to that worker alone."""
    if getattr(config.option, "numprocesses", None) and not hasattr(config, "workerinput"):
        del os.environ[REPORT_VARIABLE]


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Turn the session red for what came after the last test; a worker tells the session that started it."""
    global writes_late  # noqa: PLW0603 - as above
    late, _ = rows(REPORT, told_so_far)
    told = getattr(session.config, "workeroutput", None)
    if told is not None:
        told["late"], told["by_outsiders"], told["on_purpose"] = len(late), writes_by_outsiders, writes_on_purpose
        return
    writes_late += len(late)
    if writes_late and session.exitstatus == 0:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: object, error: object) -> None:
    """Take over what a worker counted."""
    global writes_late, writes_by_outsiders, writes_on_purpose  # noqa: PLW0603 - as above
    told = getattr(node, "workeroutput", {})
    writes_late += told.get("late", 0)
    writes_by_outsiders += told.get("by_outsiders", 0)
    writes_on_purpose += told.get("on_purpose", 0)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what was counted at the sockets."""
    terminalreporter.write_line(
        f"write services sent, all processes of the session: {writes_late}"
        f" (beside {writes_by_outsiders} by tests that play an outsider"
        f" and {writes_on_purpose} by tests that command on purpose and count them)"
    )


def pytest_unconfigure() -> None:
    """Leave nothing behind."""
    shutil.rmtree(REPORT.parent, ignore_errors=True)


@pytest.fixture
def write_frames(wire: None) -> Callable[[], list[str]]:
    """Return what gives the write services that left a socket since the test began, in order."""
    start = told_so_far
    return lambda: [row["what"] for row in rows(REPORT, start)[0] if row["kind"] == "write"]


@pytest.fixture(scope="session")
def checkout() -> Path:
    """Return the folder of this repository."""
    return CHECKOUT


@pytest.fixture(scope="session")
def larkfield() -> Plant:
    """Return the larger example plant: headered pumps, decoupler, three cells."""
    return load_plant(CHECKOUT / "config" / "larkfield")


@pytest.fixture(scope="session")
def orchard() -> Plant:
    """Return the small example plant: dedicated pumps, one cell with two fans."""
    return load_plant(CHECKOUT / "config" / "orchard")


@pytest.fixture
def free_tcp_port() -> Callable[[], int]:
    """Return a function that finds loopback TCP ports that were free a moment ago."""
    return lambda: free_port(socket.SOCK_STREAM)


@pytest.fixture
def free_udp_port() -> Callable[[], int]:
    """Return a function that finds loopback UDP ports that were free a moment ago."""
    return lambda: free_port(socket.SOCK_DGRAM)
