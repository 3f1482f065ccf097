"""The line of every key, whatever way TOML allows it to be written."""

from __future__ import annotations

import tomllib

import pytest

from plantview.config.positions import Path, Positions

TEXT = '''schema = 1

[plant]          # a comment with = and [brackets]
name = "A # B [c]"
"quoted key" = 3

[a.b]
c.d = 4
list = [
  { id = "x", n = [[1, 2], [3]] },
  { id = "y", n = [
    [4]] },
]
text = """
many
lines"""
after = true

[[alarms]]
id = "first"

[[alarms]]
id = "second"
[alarms.sub]
k = 1
'''

CASES: list[tuple[Path, int]] = [
    (("schema",), 1),
    (("plant",), 3),
    (("plant", "name"), 4),
    (("plant", "quoted key"), 5),
    (("a", "b"), 7),
    (("a", "b", "c", "d"), 8),
    (("a", "b", "list"), 9),
    (("a", "b", "list", 0), 10),
    (("a", "b", "list", 0, "n", 1), 10),
    (("a", "b", "list", 1), 11),
    (("a", "b", "list", 1, "n", 0), 12),
    (("a", "b", "text"), 14),
    (("a", "b", "after"), 17),
    (("alarms", 0), 19),
    (("alarms", 0, "id"), 20),
    (("alarms", 1, "id"), 23),
    (("alarms", 1, "sub", "k"), 25),
]


@pytest.mark.parametrize(("path", "line"), CASES)
def test_each_key_has_its_line(path: Path, line: int) -> None:
    tomllib.loads(TEXT)
    assert Positions(TEXT).line(path) == line


def test_an_unknown_key_has_the_line_of_its_table() -> None:
    assert Positions(TEXT).line(("plant", "nothing", 3)) == 3


def test_a_file_as_a_whole_has_line_zero() -> None:
    assert Positions(TEXT).line(("missing",)) == 0
