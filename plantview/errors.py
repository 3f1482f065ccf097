"""Every failure that plantview names, split by what the reader can do next.

PlantviewError
├── ConfigError              the plant description is wrong; nothing was started
├── StartRefused             port or address in use, data folder owned by another
├── NotRunning               a question to a plant that no process watches
├── DriverError              one exchange with one device failed
│   ├── DeviceUnreachable    no path: refused, no route, name not found
│   ├── DeviceSilent         a path, but no answer before the deadline
│   ├── DeviceRefused        the device answered "no"
│   └── ReplyUnusable        an answer that does not fit the request
├── CalcError                a calculation cannot answer
│   └── OutsideSourceRange   inputs beyond what the cited source covers
├── HistoryError             full disk, damaged file
├── LogUnreadable            a log made elsewhere cannot be read as it is
├── IllegalTransition        an alarm was asked for what its table forbids
├── CommandRefused           a command was not carried out; nothing was sent
├── AuditUnwritable          who does what cannot be written down, so nothing is done
└── ChannelError             the seam between the two processes failed
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


class PlantviewError(Exception):
    """The root: catch it to tell a named failure from a programming mistake."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in a plant description, in the crew's words."""

    file: str
    line: int
    """Line in the file, counted from 1; 0 when the whole file is meant."""
    place: str
    """Where in the file, for example ``loops.chw.stages[2].branches``."""
    wrong: str
    remedy: str

    def __str__(self) -> str:
        """Return file, line and place, what is wrong, and behind an arrow the remedy."""
        where = f"{self.file}:{self.line}" if self.line else self.file
        place = f" {self.place}:" if self.place else ""
        return f"{where}:{place} {self.wrong} -> {self.remedy}"


class ConfigError(PlantviewError):
    """The plant description is wrong; nothing was started (exit 2)."""

    def __init__(self, source: Path | str, problems: Sequence[Problem]) -> None:
        self.source = str(source)
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class StartRefused(PlantviewError):
    """Something outside stands in the way of starting: port, address, folder."""


class NotRunning(PlantviewError):
    """No field process watches this plant, so there is nobody to ask."""


class DriverError(PlantviewError):
    """One exchange with one device failed."""

    def __init__(self, device: str, detail: str, *, code: str = "") -> None:
        self.device = device
        self.detail = detail
        self.code = code
        super().__init__(f"{device}: {detail}")


class DeviceUnreachable(DriverError):
    """No path to the device: refused, no route, name not found."""


class DeviceSilent(DriverError):
    """A path, but no answer before the deadline."""


class DeviceRefused(DriverError):
    """The device answered "no"; ``code`` holds its own word."""


class ReplyUnusable(DriverError):
    """An answer came that does not fit the request."""


class CalcError(PlantviewError):
    """A calculation cannot answer."""


class OutsideSourceRange(CalcError):
    """Inputs beyond what the cited source covers; refused, never clamped."""


class HistoryError(PlantviewError):
    """The store cannot take or give back readings."""


class LogUnreadable(PlantviewError):
    """A log that was made elsewhere cannot be read as it is; nothing of it was taken."""


class IllegalTransition(PlantviewError):
    """An alarm was asked for a change that its table forbids."""


class CommandRefused(PlantviewError):
    """A command was refused before anything was sent; ``rule`` is the word for why."""

    def __init__(self, rule: str, text: str) -> None:
        self.rule = rule
        super().__init__(text)


class AuditUnwritable(PlantviewError):
    """The audit cannot be written: no command is carried out, monitoring goes on."""


class ChannelError(PlantviewError):
    """The other process did not answer, or answered with a refusal."""
