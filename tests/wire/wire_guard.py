"""Watches every socket of this process: nothing leaves the machine, and every write service is counted.

It stands between Python's socket class and whoever uses it, so it sees the frames of the
protocol libraries as sent, not what a caller says it sends. It is imported by conftest and,
through ``sitecustomize``, by every Python process that a test starts.
"""

from __future__ import annotations

import errno
import ipaddress
import json
import os
import socket
import sys
import weakref
from pathlib import Path
from typing import Any, Final

REPORT_VARIABLE: Final = "PLANTVIEW_TEST_WIRE_REPORT"
FOLDER: Final = Path(__file__).resolve().parent

CONFIRMED_WRITES: Final = {
    7: "AtomicWriteFile", 8: "AddListElement", 9: "RemoveListElement", 10: "CreateObject", 11: "DeleteObject",
    15: "WriteProperty", 16: "WritePropertyMultiple", 17: "DeviceCommunicationControl", 20: "ReinitializeDevice",
}  # fmt: skip
"""Confirmed services that change a device (ANSI/ASHRAE 135, clause 21, BACnetConfirmedServiceChoice)."""
UNCONFIRMED_WRITES: Final = {6: "TimeSynchronization", 9: "UTCTimeSynchronization", 10: "WriteGroup"}
"""The same for unconfirmed services."""
MODBUS_WRITES: Final = {
    5: "write single coil", 6: "write single register", 15: "write coils", 16: "write registers",
    21: "write file record", 22: "mask write register", 23: "read and write registers",
}  # fmt: skip
"""Function codes that change a device (Modbus Application Protocol V1.1b3, section 6)."""


class WireGuard:
    """Keeps what it saw, and appends it to a file that all processes of a test session share."""

    def __init__(self, report: Path) -> None:
        self.report = report
        self._asked: weakref.WeakSet[socket.socket] = weakref.WeakSet()

    def check(self, address: Any, sock: socket.socket | None = None) -> None:
        """Refuse an address beyond this machine."""
        if isinstance(address, tuple) and not is_loopback(address[0]):
            self._tell("left", f"{address[0]}:{address[1]}")
            raise OSError(errno.ENETUNREACH, f"tests stay on this machine; refused {address[0]}")
        if sock is not None:
            self._asked.add(sock)

    def look(self, sock: socket.socket, data: Any) -> None:
        """Note a write service in what this process sends as the asking side."""
        frame = bytes(data)
        if sock.type == socket.SOCK_DGRAM:
            service = bacnet_write(frame)
        else:
            service = modbus_write(frame) if sock in self._asked else ""
        if service:
            self._tell("write", service)

    def _tell(self, kind: str, what: str) -> None:
        row = json.dumps({"kind": kind, "what": what, "pid": os.getpid(), "command": sys.argv})
        with self.report.open("a", encoding="utf-8") as file:
            file.write(row + "\n")


def is_loopback(host: str) -> bool:
    """Return whether a host is this machine."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.partition("%")[0]).is_loopback
    except ValueError:
        return False


def bacnet_write(frame: bytes) -> str:
    """Return the service by which a BACnet/IP frame changes a device; empty for every other frame."""
    try:
        apdu = _apdu(frame)
        if apdu[0] >> 4 == 0:
            return CONFIRMED_WRITES.get(apdu[5 if apdu[0] & 0x08 else 3], "")
        return UNCONFIRMED_WRITES.get(apdu[1], "") if apdu[0] >> 4 == 1 else ""
    except IndexError:
        return ""


def _apdu(frame: bytes) -> bytes:
    if frame[0] != 0x81 or frame[1] not in {0x04, 0x09, 0x0A, 0x0B}:
        return b""
    npdu = frame[10:] if frame[1] == 0x04 else frame[4:]
    control, at = npdu[1], 2
    if control & 0x80:
        return b""
    for has_network in (control & 0x20, control & 0x08):
        at += 3 + npdu[at + 2] if has_network else 0
    return npdu[at + (1 if control & 0x20 else 0) :]


def modbus_write(frame: bytes) -> str:
    """Return the function by which a Modbus TCP request changes a device; empty for every other frame."""
    if len(frame) < 8 or frame[2:4] != b"\0\0" or int.from_bytes(frame[4:6], "big") != len(frame) - 6:
        return ""
    return MODBUS_WRITES.get(frame[7], "")


def install(guard: WireGuard) -> None:
    """Put the guard in front of every socket of this process."""
    plain = {
        name: getattr(socket.socket, name) for name in ("connect", "connect_ex", "send", "sendall", "sendto", "sendmsg")
    }

    def connect(self: socket.socket, address: Any) -> None:
        guard.check(address, self)
        plain["connect"](self, address)

    def connect_ex(self: socket.socket, address: Any) -> int:
        guard.check(address, self)
        return int(plain["connect_ex"](self, address))

    def send(self: socket.socket, data: Any, *more: Any) -> int:
        guard.look(self, data)
        return int(plain["send"](self, data, *more))

    def sendall(self: socket.socket, data: Any, *more: Any) -> None:
        guard.look(self, data)
        plain["sendall"](self, data, *more)

    def sendto(self: socket.socket, data: Any, *more: Any) -> int:
        guard.check(more[-1])
        guard.look(self, data)
        return int(plain["sendto"](self, data, *more))

    def sendmsg(self: socket.socket, buffers: Any, *more: Any) -> int:
        parts = list(buffers)
        guard.look(self, b"".join(bytes(part) for part in parts))
        return int(plain["sendmsg"](self, parts, *more))

    for function in (connect, connect_ex, send, sendall, sendto, sendmsg):
        setattr(socket.socket, function.__name__, function)
    _guard_names(guard)


def _guard_names(guard: WireGuard) -> None:
    """Answer names only for this machine: a question to a name server leaves it too."""
    plain = socket.getaddrinfo

    def getaddrinfo(host: Any, *more: Any, **options: Any) -> Any:
        name = host.decode() if isinstance(host, bytes) else host
        if name and name != socket.gethostname() and not _numeric(name) and not is_loopback(name):
            raise socket.gaierror(socket.EAI_NONAME, f"tests ask no name server; refused {name}")
        return plain(host, *more, **options)

    socket.getaddrinfo = getaddrinfo


def _numeric(host: str) -> bool:
    try:
        ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return False
    return True


def rows(report: Path, start: int = 0) -> tuple[list[dict[str, Any]], int]:
    """Return what was told since byte ``start``, and where the file ends now."""
    if not report.exists() or report.stat().st_size <= start:
        return [], start
    with report.open("rb") as file:
        file.seek(start)
        text = file.read()
    whole = text[: text.rfind(b"\n") + 1]
    return [json.loads(line) for line in whole.splitlines()], start + len(whole)
