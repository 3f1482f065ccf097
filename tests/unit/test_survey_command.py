"""What a person may type wrong is refused with what would be right, before anything is sent (exit 2)."""

from __future__ import annotations

from pathlib import Path

import pytest

from plantview.cli import ACTS, main
from plantview.cli_grammar import parser
from plantview.cli_survey import order_of, span
from plantview.errors import StartRefused
from plantview.surveying.conduct import Order


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--units", "9-3", "--modbus", "127.0.0.1"], "--units 9-3: write FIRST-LAST from 1 to 255"),
        (["--units", "0-3", "--modbus", "127.0.0.1"], "from 1 to 255"),
        (["--units", "abc", "--modbus", "127.0.0.1"], "from 1 to 255"),
        (["--registers", "0-9"], "--registers needs --modbus"),
        (["--registers", "0-70000", "--modbus", "127.0.0.1"], "from 0 to 65535"),
        (["--range", "5-"], "--range 5-: write FIRST-LAST"),
        (["--range", "1-4194303"], "from 0 to 4194302"),
        (["--host", ":47808"], "is no address"),
        (["--host", "127.0.0.1:99999"], "is no address"),
        (["--host", "127.0.0.1:47911=x"], "INSTANCE"),
        (["--modbus", "127.0.0.1:port"], "is no address"),
        (["--adapter", "192.0.2.77", "--host", "192.0.2.78"], "this computer has no address 192.0.2.77"),
        (["--adapter", "127.0.0.1/24", "--host", "127.0.0.1:47911"], "has the mask /8 on this computer, not /24"),
        (["--host", "127.0.0.1:47808"], "cannot be asked from its own port 47808"),
    ],
)
def test_a_mistyped_option_is_refused_with_what_is_right(
    options: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["survey", "--out", str(tmp_path / "out"), *options]) == 2
    assert said in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_refused_before_anything_is_sent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert main(["survey", "--out", str(tmp_path / "file" / "out"), "--host", "127.0.0.1:47911"]) == 2
    assert "--out" in capsys.readouterr().err


def test_options_become_an_order() -> None:
    args = parser(ACTS).parse_args([
        "survey", "--host", "192.0.2.5", "--host", "192.0.2.6:47809=77", "--modbus", "192.0.2.9", "--units", "3",
        "--registers", "0-200", "--range", "1000-1999", "--rounds", "2", "--wait", "0.5",
    ])  # fmt: skip
    assert order_of(args) == Order(
        ("192.0.2.5:47808", "192.0.2.6:47809=77"), ((1000, 1999),), 2, 0.5, (("192.0.2.9", 502),), (3,), (0, 200)
    )


@pytest.mark.parametrize(("text", "wanted"), [("7", (7, 7)), ("3-20", (3, 20)), ("0-255", (0, 255))])
def test_a_span_is_one_number_or_two(text: str, wanted: tuple[int, int]) -> None:
    assert span(text, "--x", 0, 255) == wanted


@pytest.mark.parametrize("text", ["", "-", "3-2", "1-2-3", "256", "-1", "1 - 2", "٣"])
def test_what_is_no_span_is_refused(text: str) -> None:
    with pytest.raises(StartRefused):
        span(text, "--x", 0, 255)


@pytest.mark.parametrize(
    "options", [["--rounds", "0"], ["--rounds", "99"], ["--wait", "0"], ["--wait", "nan"], ["--port", "0"]]
)
def test_what_is_no_number_for_an_option_is_refused(options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["survey", *options])
    assert "give" in capsys.readouterr().err
