"""The audit of the field process: alarms, sign-ins, starts, stops and changes of the description stand in one chain."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import orjson
import pytest

from plantview.audit import verify
from plantview.audit.chain import lines
from plantview.channel.messages import AskRefused
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.model.person import Person, Role
from plantview.model.plant import Plant
from plantview.notifying import Notifying
from plantview.notifying.settings import Settings
from plantview.service import acts_record
from plantview.service.access_lines import AccessLines
from plantview.service.acts_record import ActsRecord
from plantview.service.alarm_asks import AlarmAsks
from plantview.web.access.access_log import AccessLog

OPERATOR = Person("op", Role.OPERATOR, "session-op", "192.0.2.7")


def told(data: Path) -> list[dict[str, Any]]:
    return [orjson.loads(line) for _, line in lines(data)]


def acts(data: Path) -> list[str]:
    return [row["act"] for row in told(data)]


@contextlib.asynccontextmanager
async def recording(plant: Plant, data: Path, clock: ManualClock | None = None) -> AsyncIterator[ActsRecord]:
    record = ActsRecord(plant, data, clock or ManualClock())
    running = asyncio.create_task(record.run())
    await asyncio.sleep(0)
    try:
        yield record
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


# --- starts and stops -----------------------------------------------------------------------------------------
async def test_each_start_and_stop_is_told_and_the_last_line_anchored(larkfield: Plant, tmp_path: Path) -> None:
    for _ in range(2):
        async with recording(larkfield, tmp_path):
            pass
    assert acts(tmp_path) == ["program start", "program stop"] * 2
    assert told(tmp_path)[0]["reason"] == "read-only"
    found = verify(tmp_path, tmp_path / "audit-anchor")
    assert (found.holds, found.lines) == (True, 4)
    anchors = (tmp_path / "audit-anchor" / "audit-anchor.jsonl").read_bytes().splitlines()
    assert orjson.loads(anchors[-1])["seq"] == 4


async def test_a_changed_description_is_told_with_its_lines_at_the_next_start(checkout: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(checkout / "config" / "larkfield", tmp_path / "larkfield"))
    data = tmp_path / "data"
    data.mkdir()
    async with recording(load_plant(folder), data):
        pass
    text = (folder / "plant.toml").read_text(encoding="utf-8")
    (folder / "plant.toml").write_text(text + "\n[writes]\nenabled = true\n", encoding="utf-8")
    (folder / "writes.toml").write_text(
        "schema = 1\n" + (folder / "writes.toml").read_text().partition("schema = 1")[2]
    )
    for _ in range(2):
        async with recording(load_plant(folder), data):
            pass
    changes = [row for row in told(data) if row["act"] == "description changed"]
    assert (changes[0]["point"], changes[0]["result"]) == ("plant.toml", "3 lines more, 0 lines less")
    assert "+enabled = true" in changes[0]["reason"]
    assert {row["point"] for row in changes} == {"plant.toml", "writes.toml"}
    assert changes[0]["before"] != changes[0]["after"]
    assert len(changes) == 2, "told once"
    assert [row["reason"] for row in told(data) if row["act"] == "program start"] == [
        "read-only",
        "writing enabled",
        "writing enabled",
    ]


async def test_a_stepped_clock_is_told_of(larkfield: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(acts_record, "LOOK_REAL_S", 0.0)
    clock = ManualClock()
    async with recording(larkfield, tmp_path, clock):
        clock.step(-3_600.0)
        for _ in range(3):
            await asyncio.sleep(0)
    assert [row["after"] for row in told(tmp_path) if row["act"] == "clock step"] == ["-3600 s"]


async def test_a_book_that_cannot_be_written_ends_nothing_and_says_so(larkfield: Plant, tmp_path: Path) -> None:
    (tmp_path / "audit").write_text("a file where the folder must be")
    async with recording(larkfield, tmp_path) as record:
        assert record.tell("alarm acknowledge", OPERATOR) is False
        assert "audit" in record.trouble
        record.refused("alarm shelve", OPERATOR, "time", "too long")


# --- who came in -----------------------------------------------------------------------------------------------
async def test_sign_ins_failures_and_changed_accounts_are_chained_once_also_across_starts(
    larkfield: Plant, tmp_path: Path
) -> None:
    log = AccessLog(tmp_path, ManualClock())
    log.note("sign-in", name="jd", role="technician", source="192.0.2.7", session="abc")
    log.note("sign-in failed", name="root", source="192.0.2.9")
    log.note("session ended", name="jd", why="role changed")
    async with recording(larkfield, tmp_path):
        pass
    log.note("role changed", name="jd", by="site", source="terminal")
    log.refused(status=403, path="/api/v1/commands/act", source="192.0.2.9", why="not from our page")
    log.close()
    async with recording(larkfield, tmp_path):
        pass
    rows = [row for row in told(tmp_path) if row["act"].startswith("access:")]
    assert [(row["act"], row["named"], row["source"]) for row in rows] == [
        ("access: sign-in", "jd", "192.0.2.7"), ("access: sign-in failed", "root", "192.0.2.9"),
        ("access: session ended", "jd", ""), ("access: role changed", "jd", "terminal"), ("access: refused", "", "192.0.2.9"),
    ]  # fmt: skip
    assert (rows[2]["reason"], rows[4]["address"], rows[4]["rule"]) == ("role changed", "/api/v1/commands/act", "403")
    assert rows[1]["actor"] == "plantview", "a name that was only claimed is nobody who acted"
    assert verify(tmp_path, tmp_path / "audit-anchor").holds


def test_a_record_that_was_turned_over_is_read_to_its_end_and_a_torn_line_waits(tmp_path: Path) -> None:
    path = tmp_path / "access.log"
    found = AccessLines(tmp_path)
    assert list(found.new()) == []
    path.write_text('{"act": "a"}\nno line\n{"act": "b"}\n{"act": "to')
    assert [row["act"] for row in found.new()] == ["a", "b"]
    found.keep()
    with path.open("a") as file:
        file.write('rn"}\n{"act": "c"}\n')
    path.rename(tmp_path / "access.log.1")
    path.write_text('{"act": "d"}\n')
    again = AccessLines(tmp_path)
    assert [row["act"] for row in again.new()] == ["torn", "c", "d"]
    again.keep()
    path.write_text("")
    assert list(AccessLines(tmp_path).new()) == []
    path.write_text('{"act": "f"}\n')
    (tmp_path / "audit-access.json").write_text("junk")
    assert [row["act"] for row in AccessLines(tmp_path).new()] == ["f"]


def test_a_flood_of_lines_is_taken_in_parts(tmp_path: Path) -> None:
    rows = 450
    (tmp_path / "access.log").write_text("".join(json.dumps({"act": str(number)}) + "\n" for number in range(rows)))
    found = AccessLines(tmp_path)
    parts = [len(list(found.new())) for _ in range(4)]
    assert parts == [200, 200, 50, 0]


# --- alarms -------------------------------------------------------------------------------------------------------
class Engine:
    """Takes every act but one."""

    def acknowledge(self, about: str, person: str, _text: str) -> Any:
        from plantview.alarms import Refusal

        return Refusal("unknown_alarm", f"there is no alarm {about}") if about == "X" else None

    def shelve(self, *_: object) -> None:
        return None

    def snapshot(self) -> dict[str, Any]:
        return {}


async def test_acts_on_alarms_stand_in_the_audit_with_who_from_where_and_why(larkfield: Plant, tmp_path: Path) -> None:
    clock = ManualClock()
    record = ActsRecord(larkfield, tmp_path, clock)
    asks = AlarmAsks(Engine(), Notifying(Settings(), "", larkfield, clock), clock, record)  # type: ignore[arg-type]
    base = {"person": "op", "who": OPERATOR.row()}
    await asks.act({**base, "act": "shelve", "about": ["A", "B"], "text": "valve work", "seconds": 600.0})
    await asks.acknowledge({**base, "alarm": "A", "comment": "seen"})
    with pytest.raises(AskRefused):
        await asks.acknowledge({"person": "jd", "alarm": "X"})
    rows = told(tmp_path)
    assert [(row["act"], row["point"], row["actor"], row["role"], row["source"]) for row in rows] == [
        ("alarm shelve", "A", "op", "operator", "192.0.2.7"), ("alarm shelve", "B", "op", "operator", "192.0.2.7"),
        ("alarm acknowledge", "A", "op", "operator", "192.0.2.7"), ("alarm acknowledge refused", "X", "jd", "viewer", ""),
    ]  # fmt: skip
    assert (rows[0]["reason"], rows[0]["expiry"], rows[2]["reason"], rows[3]["rule"]) == (
        "valve work", 600.0, "seen", "unknown_alarm",
    )  # fmt: skip
