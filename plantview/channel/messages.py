"""What passes between the processes: one JSON object per line, each with its ``kind``.

Field to subscribers: ``hello`` ``frame`` ``alarms`` ``health``. A question is
``{"kind": "ask", "id": 7, "what": "range", "body": {…}}``; its answer carries the same id and either
``"ok": true, "body": {…}`` or ``"ok": false, "error": sentence, "code": word``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import orjson

from plantview.errors import ChannelError

LINE_BYTES_MAX: Final = 8 * 1024 * 1024
"""Longest line that either side sends or takes."""
CLIENTS_MAX: Final = 64
"""Subscribers and askers that a field process serves at once."""


class AskRefused(ChannelError):
    """The field process answered "no"; ``code`` is its word for why."""

    def __init__(self, text: str, code: str) -> None:
        self.code = code
        super().__init__(text)


@dataclass(frozen=True, slots=True)
class Message:
    """One line, taken apart."""

    kind: str
    body: dict[str, Any]
    """Everything that the line carries besides its kind."""


def encode(kind: str, body: dict[str, Any]) -> bytes:
    """Return one line; ChannelError if it cannot be written as JSON or is longer than allowed."""
    try:
        line = orjson.dumps({"kind": kind, **body}, option=orjson.OPT_NON_STR_KEYS | orjson.OPT_APPEND_NEWLINE)
    except orjson.JSONEncodeError as error:
        raise ChannelError(f"a '{kind}' message cannot be written as JSON: {error}") from error
    if len(line) > LINE_BYTES_MAX:
        raise ChannelError(f"a '{kind}' message of {len(line)} bytes is longer than the {LINE_BYTES_MAX} allowed")
    return line


def decode(line: bytes) -> Message:
    """Return the message of a line; ChannelError says what is wrong with it."""
    try:
        body = orjson.loads(line)
    except orjson.JSONDecodeError as error:
        raise ChannelError(f"a line on the channel is not JSON: {error}") from error
    if not isinstance(body, dict) or not isinstance(body.get("kind"), str):
        raise ChannelError("a line on the channel is not an object with a kind")
    return Message(body.pop("kind"), body)


def encode_ask(number: int, what: str, body: dict[str, Any]) -> bytes:
    """Return a question as a line."""
    return encode("ask", {"id": number, "what": what, "body": body})


def encode_answer(number: int, body: dict[str, Any]) -> bytes:
    """Return an answer as a line."""
    return encode("answer", {"id": number, "ok": True, "body": body})


def encode_refusal(number: int, text: str, code: str) -> bytes:
    """Return a refused question as a line."""
    return encode("answer", {"id": number, "ok": False, "error": text, "code": code})
