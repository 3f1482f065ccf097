from __future__ import annotations

import math

import pytest

from plantview.channel import messages
from plantview.channel.messages import decode, encode
from plantview.errors import ChannelError


def test_a_message_comes_back_as_it_was_sent_on_one_line() -> None:
    line = encode("frame", {"seq": 4, "readings": {"CH-1.power": [1.5, 0, "a\nb", 7]}})
    assert line.count(b"\n") == 1
    assert line.endswith(b"\n")
    message = decode(line)
    assert message.kind == "frame"
    assert message.body == {"seq": 4, "readings": {"CH-1.power": [1.5, 0, "a\nb", 7]}}


def test_a_number_that_json_cannot_say_becomes_null_and_never_zero() -> None:
    assert decode(encode("frame", {"x": math.nan, "y": math.inf})).body == {"x": None, "y": None}


@pytest.mark.parametrize(
    "line", [b"", b"not json\n", b"[1, 2]\n", b'"hello"\n', b'{"id": 1}\n', b'{"kind": 7}\n', b"\xff\xfe\n"]
)
def test_a_garbage_line_is_refused_by_name(line: bytes) -> None:
    with pytest.raises(ChannelError, match="a line on the channel"):
        decode(line)


def test_a_message_above_the_bound_is_not_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(messages, "LINE_BYTES_MAX", 100)
    encode("hello", {"name": "x" * 60})
    with pytest.raises(ChannelError, match="longer than the 100 allowed"):
        encode("hello", {"name": "x" * 200})


def test_something_that_is_not_data_is_refused_by_name() -> None:
    with pytest.raises(ChannelError, match="cannot be written as JSON"):
        encode("hello", {"name": object()})
