"""The audit: whatever is changed, taken out, put in or cut off is found; what cannot be written stops what is written down."""

from __future__ import annotations

from pathlib import Path

import orjson
import pytest

from plantview.audit import FIRST, AuditBook, book, verify
from plantview.audit.chain import ANCHOR, FOLDER, hashed, lines
from plantview.cli_audit import printable
from plantview.clock import ManualClock
from plantview.errors import AuditUnwritable
from plantview.model.person import Person, Role

JD = Person("jd", Role.TECHNICIAN, "session-jd", "192.0.2.7")


def written(folder: Path, count: int = 6) -> AuditBook:
    audit = AuditBook(folder, ManualClock())
    for number in range(count):
        audit.append("commit", JD, point="CH-1.setpoint", requested=44.0 + number, reason="night setback")
    audit.anchor(now=True)
    return audit


def file_of(folder: Path) -> Path:
    return next((folder / FOLDER).glob("*.jsonl"))


def change(folder: Path, number: int, new: bytes | None) -> None:
    """Put another line in the place of one, or take it out."""
    found = file_of(folder).read_bytes().splitlines(keepends=True)
    found[number - 1 : number] = [] if new is None else [new]
    file_of(folder).write_bytes(b"".join(found))


def test_an_untouched_audit_holds_and_says_how_much(tmp_path: Path) -> None:
    audit = written(tmp_path)
    verdict = verify(tmp_path, tmp_path / "audit-anchor")
    assert (verdict.holds, verdict.lines, verdict.head, verdict.anchors) == (True, 6, audit.head, 1)


def test_an_empty_audit_holds(tmp_path: Path) -> None:
    assert verify(tmp_path, tmp_path / "audit-anchor") == verify(tmp_path, tmp_path / "elsewhere")
    assert verify(tmp_path, tmp_path / "audit-anchor").head == FIRST


@pytest.mark.parametrize("number", [1, 3, 6])
def test_a_changed_value_is_found_with_its_line(tmp_path: Path, number: int) -> None:
    written(tmp_path)
    row = orjson.loads(file_of(tmp_path).read_bytes().splitlines()[number - 1])
    change(tmp_path, number, orjson.dumps({**row, "requested": 99.0}, option=orjson.OPT_APPEND_NEWLINE))
    verdict = verify(tmp_path, tmp_path / "audit-anchor")
    assert f":{number}: was changed" in verdict.wrong
    assert verdict.lines == number - 1


def test_a_changed_line_with_its_hash_made_new_breaks_the_next_one(tmp_path: Path) -> None:
    written(tmp_path)
    row = orjson.loads(file_of(tmp_path).read_bytes().splitlines()[2])
    row["actor"] = "somebody else"
    row["hash"] = hashed(row)
    change(tmp_path, 3, orjson.dumps(row, option=orjson.OPT_APPEND_NEWLINE))
    assert ":4: does not follow from the line before" in verify(tmp_path, tmp_path / "audit-anchor").wrong


@pytest.mark.parametrize("number", [1, 4])
def test_a_line_that_was_taken_out_is_missed(tmp_path: Path, number: int) -> None:
    written(tmp_path)
    change(tmp_path, number, None)
    assert "lines are missing, or were put in" in verify(tmp_path, tmp_path / "audit-anchor").wrong


@pytest.mark.parametrize("junk", [b"no json\n", b"[1]\n", b'{"seq": 3}'])
def test_what_is_no_line_is_named(tmp_path: Path, junk: bytes) -> None:
    written(tmp_path)
    change(tmp_path, 3, junk)
    assert ":3:" in verify(tmp_path, tmp_path / "audit-anchor").wrong


def test_an_audit_that_was_cut_short_does_not_reach_its_anchor(tmp_path: Path) -> None:
    written(tmp_path)
    change(tmp_path, 6, None)
    assert "line 6 was anchored" in verify(tmp_path, tmp_path / "audit-anchor").wrong


def test_a_rewritten_audit_contradicts_its_anchor(tmp_path: Path) -> None:
    written(tmp_path)
    file_of(tmp_path).unlink()
    audit = AuditBook(tmp_path, ManualClock())
    for _ in range(7):
        audit.append("nothing happened")
    assert "is not the one that was anchored" in verify(tmp_path, tmp_path / "audit-anchor").wrong


def test_an_anchor_that_was_taken_away_is_missed(tmp_path: Path) -> None:
    written(tmp_path)
    (tmp_path / "audit-anchor" / ANCHOR).unlink()
    assert "anchor" in verify(tmp_path, tmp_path / "audit-anchor").wrong
    assert AuditBook(tmp_path, ManualClock()).seq == 7, "a new anchor is begun, and that is said"
    (tmp_path / "audit-anchor" / ANCHOR).write_bytes(b"junk\n")
    assert f"{ANCHOR}:1: is no anchor" in verify(tmp_path, tmp_path / "audit-anchor").wrong


def test_a_torn_last_line_is_cut_off_said_and_gone_on_from(tmp_path: Path) -> None:
    written(tmp_path)
    with file_of(tmp_path).open("ab") as file:
        file.write(b'{"seq": 7, "act": "com')
    audit = AuditBook(tmp_path, ManualClock())
    audit.append("start")
    told = [orjson.loads(line)["act"] for _, line in lines(tmp_path)]
    assert told[-2:] == ["last line was torn", "start"]
    assert verify(tmp_path, tmp_path / "audit-anchor").lines == 8


def test_a_full_file_is_followed_by_another_in_the_same_chain(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(book, "FILE_BYTES_MAX", 900)
    written(tmp_path, 12)
    found = sorted((tmp_path / FOLDER).glob("*.jsonl"))
    assert len(found) > 2
    for path in found[1:]:
        first = orjson.loads(path.read_bytes().splitlines()[0])
        assert (first["act"], path.name) == (book.TURNED, f"audit-{first['seq']:09d}.jsonl")
    again = AuditBook(tmp_path, ManualClock())
    assert again.seq == 12 + len(found) - 1
    again.append("start")
    assert verify(tmp_path, tmp_path / "audit-anchor").holds


def test_a_disk_that_is_full_stops_the_act_and_leaves_the_chain_whole(tmp_path: Path) -> None:
    audit = written(tmp_path)
    full = tmp_path / FOLDER / "audit-999999999.jsonl"
    full.symlink_to("/dev/full")
    with pytest.raises(AuditUnwritable, match="cannot be written"):
        audit.append("commit", JD)
    assert audit.trouble
    assert audit.seq == 6
    full.unlink()
    audit.append("commit", JD)
    assert (audit.trouble, audit.seq) == ("", 7)
    assert verify(tmp_path, tmp_path / "audit-anchor").holds


def test_a_folder_that_cannot_be_read_is_refused_at_the_start(tmp_path: Path) -> None:
    written(tmp_path)
    file_of(tmp_path).write_bytes(b"junk\n")
    with pytest.raises(AuditUnwritable):
        AuditBook(tmp_path, ManualClock())


async def test_the_anchor_is_taken_down_once_an_hour(tmp_path: Path) -> None:
    clock = ManualClock()
    audit = AuditBook(tmp_path, clock)
    audit.append("start")
    for seconds in (0, 10, 3_580, 10, 10):
        await clock.advance(seconds)
        audit.anchor()
    rows = (tmp_path / "audit-anchor" / ANCHOR).read_bytes().splitlines()
    assert len(rows) == 2


async def test_a_flood_of_refusals_is_counted_and_not_written(tmp_path: Path) -> None:
    clock = ManualClock()
    audit = AuditBook(tmp_path, clock)
    for _ in range(1_000):
        audit.refused("stage", JD, "type", "no number")
    assert audit.seq == book.REFUSALS_PER_MIN
    await clock.advance(61)
    audit.refused("stage", JD, "type", "no number")
    told = [orjson.loads(line) for _, line in lines(tmp_path)]
    assert told[-2]["after"] == "940 more within a minute"
    assert told[-1]["act"] == "stage refused"


def test_a_line_says_who_from_where_and_nothing_too_long(tmp_path: Path) -> None:
    audit = AuditBook(tmp_path, ManualClock(1_764_000_000_000))
    audit.append("arm", JD, reason="x" * 9_000, point=Path("p"), confirmed=True)
    row = orjson.loads(next(iter(lines(tmp_path)))[1])
    assert (row["actor"], row["role"], row["session"], row["source"]) == ("jd", "technician", "session-jd", "192.0.2.7")
    assert (row["at"], len(row["reason"]), row["point"], row["confirmed"]) == (
        "2025-11-24T16:00:00.000Z",
        500,
        "p",
        True,
    )
    assert row["prev"] == FIRST


def test_control_characters_and_turned_writing_never_reach_a_terminal() -> None:
    assert printable("a\x1b[2Jb\nc\u202ed\x7f") == "a\\x1b[2Jb\\x0ac\\x202ed\\x7f"
    assert printable("Wärme 44 °F") == "Wärme 44 °F"
