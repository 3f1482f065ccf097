"""Ways to reach a person beside e-mail and webhook: the addresses that the library apprise knows, if it is installed.

It is an extra, imported only when a receiver has such an address; its addresses hold credentials, so none is repeated.
"""

from __future__ import annotations

import importlib
import logging
import re
from types import ModuleType
from typing import Final

from plantview.errors import PlantviewError

MISSING: Final = "the extra 'notices' is not installed"
REMEDY: Final = 'pip install "plantview[notices]", or use email or webhook'
_CODE: Final = re.compile(r"\berror\s*=\s*(\d{3})\b")


class NotInstalled(PlantviewError):
    """The library that knows further ways is not there."""

    def __init__(self) -> None:
        super().__init__(f"{MISSING} -> {REMEDY}")


def is_known(address: str) -> bool:
    """Return whether the library can send to an address; NotInstalled if it is not there."""
    return bool(_library().Apprise().add(address))


def pass_on(subject: str, text: str, address: str) -> str:
    """Send one message and return why it could not be sent, without the address; empty if it was."""
    library = _library()
    ways = library.Apprise()
    if not ways.add(address):
        return "the address of the service is not understood"
    with library.LogCapture(level=logging.WARNING) as said:
        sent = ways.notify(title=subject, body=text, body_format="text")
        code = _CODE.search(said.getvalue())
    if sent:
        return ""
    return f"the service answered {code[1]}" if code else "the service cannot be reached, or refused"


def _library() -> ModuleType:
    try:
        return importlib.import_module("apprise")
    except ImportError as error:
        raise NotInstalled from error
