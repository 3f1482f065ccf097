"""What arrives at the sockets of a process as requests, and which modules it has loaded that could write.

Told every few seconds and at its end: a process that is killed has told what it was until then.

Kept apart from the guard: only the few tests that count a whole day of use pay for looking at every frame.
"""

from __future__ import annotations

import atexit
import json
import os
import socket
import sys
import threading
from collections import Counter
from pathlib import Path
from time import sleep
from typing import Any, Final

from wire_guard import _apdu  # type: ignore[import-not-found]  # found by PYTHONPATH

HEARD_VARIABLE: Final = "PLANTVIEW_TEST_WIRE_HEARD"
TELL_S: Final = 3.0
CAN_WRITE: Final = ("plantview.commands", "plantview.drivers.bacnet_write", "plantview.drivers.modbus_write")


def service_of(frame: bytes) -> str:
    """Return the confirmed BACnet service that a datagram asks for; empty for every other datagram."""
    try:
        apdu = _apdu(frame)
        return f"bacnet {apdu[5 if apdu[0] & 0x08 else 3]}" if apdu[0] >> 4 == 0 else ""
    except IndexError:
        return ""


def functions_of(stream: bytes) -> list[str]:
    """Return the functions of the whole Modbus TCP requests in a piece of a stream."""
    found, at = [], 0
    while len(stream) >= at + 8 and stream[at + 2 : at + 4] == b"\0\0":
        length = int.from_bytes(stream[at + 4 : at + 6], "big")
        if not 2 <= length <= 254:
            break
        found.append(f"modbus {stream[at + 7]}")
        at += 6 + length
    return found


class Heard:
    """Counts by service what the devices of this process are asked."""

    def __init__(self, report: Path) -> None:
        self._report = report
        self.counts: Counter[str] = Counter()

    def install(self) -> None:
        """Stand in front of receiving; tell at the end of the process."""
        recv, recvfrom, accept = socket.socket.recv, socket.socket.recvfrom, socket.socket.accept
        serving: set[int] = set()

        def received(sock: socket.socket, *more: Any) -> bytes:
            data = recv(sock, *more)
            if sock.type == socket.SOCK_STREAM and sock.fileno() in serving:
                self.counts.update(functions_of(data))
            return data

        def received_from(sock: socket.socket, *more: Any) -> Any:
            data, address = recvfrom(sock, *more)
            service = service_of(data)
            if service:
                self.counts[service] += 1
            return data, address

        def accepted(sock: socket.socket) -> Any:
            connection, address = accept(sock)
            serving.add(connection.fileno())
            return connection, address

        for name, function in (("recv", received), ("recvfrom", received_from), ("accept", accepted)):
            setattr(socket.socket, name, function)
        atexit.register(self.tell)
        threading.Thread(target=self._tell_on, daemon=True).start()

    def _tell_on(self) -> None:
        while True:
            sleep(TELL_S)
            self.tell()

    def tell(self) -> None:
        """Append one line: role, counts, and the loaded modules that could write."""
        loaded = sorted(name for name in sys.modules if name.startswith(CAN_WRITE))
        row = {
            "argv": sys.argv[-1][:60],
            "role": _role(),
            "heard": dict(self.counts),
            "loaded": loaded,
            "pid": os.getpid(),
        }
        with self._report.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")


def _role() -> str:
    try:
        return str(json.loads(sys.argv[-1])["role"])
    except (ValueError, KeyError, IndexError, TypeError):
        return "terminal"
