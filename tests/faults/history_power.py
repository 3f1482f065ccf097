"""Cuts the power of a writing process, on paper: its recorded system calls, replayed up to a random moment.

A write is certainly on the disk once the same file was synced after it. Of later writes none, the
first few, or any of them are there, each torn at sectors of 512 bytes. Names appear and vanish in order,
and are certain after any sync (a journalling file system commits its journal with it). This is harsher
than ext4 in the order of writes, and says nothing about drives that lie about a flush.
"""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.faults.history_crash import CHECKOUT, Outcome, verify

SECTOR: Final = 512
CALLS: Final = "openat,close,write,pwrite64,ftruncate,fallocate,fsync,fdatasync,rename,unlink,mkdir"
_CALL: Final = re.compile(r"^(?:\d+ +)?(\w+)\((.*)\) += (-?\d+|\?)", re.DOTALL)
_TEXT: Final = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


@dataclass
class Act:
    """One recorded call that matters to what is on the disk."""

    kind: str
    """``create``, ``write``, ``cut``, ``sync``, ``rename``, ``unlink`` or ``said``."""
    file: int = 0
    """Number of a file, which stays when it is renamed."""
    name: str = ""
    other: str = ""
    offset: int = 0
    data: bytes = b""


@dataclass
class Recording:
    """Follows descriptors and names through a trace."""

    folder: str
    acts: list[Act] = field(default_factory=list)
    files: dict[str, int] = field(default_factory=dict)
    open: dict[int, tuple[int, int]] = field(default_factory=dict)
    """Descriptor -> file and position."""
    count: int = 0

    def line(self, text: str) -> None:
        """Take one finished call."""
        found = _CALL.match(text)
        if found is None or found[3] in {"?", "-1"}:
            return
        name, arguments, answer = found[1], found[2], int(found[3])
        texts = [bytes.fromhex(part.replace("\\x", "")) for part in _TEXT.findall(arguments)]
        getattr(self, f"_{name}", self._nothing)(arguments, texts, answer)

    def _nothing(self, arguments: str, texts: list[bytes], answer: int) -> None:
        """Leave out what does not matter."""

    def _openat(self, arguments: str, texts: list[bytes], answer: int) -> None:
        self.open.pop(answer, None)
        path = texts[0].decode()
        if not path.startswith(self.folder) or path.endswith("-shm"):
            return
        if path not in self.files and "O_CREAT" in arguments:
            self.count += 1
            self.files[path] = self.count
            self.acts.append(Act("create", self.count, path))
        if path in self.files:
            self.open[answer] = self.files[path], 0
        elif "O_DIRECTORY" in arguments or path in {self.folder, f"{self.folder}/history"}:
            self.open[answer] = 0, 0

    def _close(self, arguments: str, texts: list[bytes], answer: int) -> None:
        self.open.pop(int(arguments), None)

    def _pwrite64(self, arguments: str, texts: list[bytes], answer: int) -> None:
        descriptor, offset = int(arguments.partition(",")[0]), int(arguments.rpartition(",")[2])
        if descriptor in self.open:
            self.acts.append(Act("write", self.open[descriptor][0], offset=offset, data=texts[0][:answer]))

    def _write(self, arguments: str, texts: list[bytes], answer: int) -> None:
        descriptor = int(arguments.partition(",")[0])
        if descriptor == 1:
            self.acts.append(Act("said", data=texts[0]))
        elif descriptor in self.open:
            file, position = self.open[descriptor]
            self.acts.append(Act("write", file, offset=position, data=texts[0][:answer]))
            self.open[descriptor] = file, position + answer

    def _ftruncate(self, arguments: str, texts: list[bytes], answer: int) -> None:
        descriptor, size = (int(part) for part in arguments.split(","))
        if descriptor in self.open:
            self.acts.append(Act("cut", self.open[descriptor][0], offset=size))

    def _fdatasync(self, arguments: str, texts: list[bytes], answer: int) -> None:
        if int(arguments) in self.open:
            self.acts.append(Act("sync", self.open[int(arguments)][0]))

    _fsync = _fdatasync

    def _rename(self, arguments: str, texts: list[bytes], answer: int) -> None:
        before, after = (text.decode() for text in texts)
        if before in self.files:
            self.files[after] = self.files.pop(before)
            self.acts.append(Act("rename", self.files[after], before, after))

    def _unlink(self, arguments: str, texts: list[bytes], answer: int) -> None:
        path = texts[0].decode()
        if path in self.files:
            self.acts.append(Act("unlink", self.files.pop(path), path))


def calls(trace: Path) -> Iterator[str]:
    """Yield finished calls of all threads, where two lines of one call are joined."""
    begun: dict[str, str] = {}
    for line in trace.read_text(encoding="latin-1").splitlines():
        thread = line.partition(" ")[0]
        if line.endswith("<unfinished ...>"):
            begun[thread] = line.removesuffix("<unfinished ...>")
        elif " resumed>" in line:
            yield begun.pop(thread, "") + line.partition(" resumed>")[2]
        else:
            yield line


def record(folder: Path, commits: int) -> list[Act]:
    """Run the writer under strace and return what it did to its files and said."""
    trace = folder.parent / "trace"
    folder.mkdir()
    command = ["strace", "-f", "-qq", "-xx", "-s", "9000000", "-e", f"trace={CALLS}", "-o", str(trace)]
    command += [sys.executable, "-m", "tests.faults.history_writer", str(folder), "0", str(commits)]
    subprocess.run(command, check=True, cwd=CHECKOUT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    recording = Recording(str(folder))
    for line in calls(trace):
        recording.line(line)
    trace.unlink()
    return recording.acts


def image(acts: list[Act], moment: int, lots: random.Random, source: Path, target: Path) -> int:
    """Write the disk as it may be after a cut at a moment; return the last acknowledged commit, -1 for none."""
    past = acts[:moment]
    said = b"".join(act.data for act in past if act.kind == "said").split()
    synced: dict[int, int] = {}
    named = 0
    for place, act in enumerate(past):
        if act.kind == "sync":
            synced[act.file], named = place, place
    names: dict[str, int] = {}
    contents: dict[int, bytearray] = {}
    later = [place for place, act in enumerate(past) if act.kind in {"create", "rename", "unlink"} and place > named]
    reached = later[lots.randrange(len(later) + 1) - 1] if later and lots.random() < 0.7 else named
    loose: dict[int, list[Act]] = {}
    for place, act in enumerate(past):
        if act.kind in {"create", "rename", "unlink"} and place <= max(named, reached):
            _name(act, names)
        elif act.kind in {"write", "cut"}:
            if place < synced.get(act.file, -1):
                _apply(act, contents.setdefault(act.file, bytearray()))
            else:
                loose.setdefault(act.file, []).append(act)
    for file, left in loose.items():
        for act in _survivors(left, lots):
            _apply(act, contents.setdefault(file, bytearray()))
    for path, file in names.items():
        copy = target / Path(path).relative_to(source)
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes(contents.get(file, b""))
    return int(said[-1]) if said else -1


def _name(act: Act, names: dict[str, int]) -> None:
    if act.kind == "create":
        names[act.name] = act.file
    else:
        file = names.pop(act.name, act.file)
        if act.kind == "rename":
            names[act.other] = file


def _survivors(left: list[Act], lots: random.Random) -> list[Act]:
    """Return what of the writes that nobody waited for has reached the disk, torn at sectors."""
    how = lots.choice(("none", "first", "any"))
    if how == "none":
        return []
    if how == "first":
        return left[: lots.randrange(len(left) + 1)]
    kept = []
    for act in left:
        if act.kind == "cut":
            kept += [act] if lots.random() < 0.5 else []
            continue
        for begin in range(0, len(act.data), SECTOR):
            if lots.random() < 0.5:
                kept.append(Act("write", act.file, offset=act.offset + begin, data=act.data[begin : begin + SECTOR]))
    return kept


def _apply(act: Act, content: bytearray) -> None:
    size = act.offset if act.kind == "cut" else act.offset + len(act.data)
    if len(content) < size:
        content.extend(bytes(size - len(content)))
    if act.kind == "cut":
        del content[size:]
    else:
        content[act.offset : size] = act.data


def cut(folder: Path, images: int, seed: int, commits: int = 150) -> Outcome:
    """Cut the power at so many random moments of one run and verify each disk."""
    lots, outcome = random.Random(seed), Outcome()
    source = folder / "written"
    acts = record(source, commits)
    first = next(place for place, act in enumerate(acts) if act.kind == "said")
    for number in range(images):
        target = folder / f"image-{number}"
        target.mkdir()
        acknowledged = image(acts, lots.randrange(first, len(acts) + 1), lots, source, target)
        outcome.acknowledged += acknowledged + 1
        verify(target, acknowledged, outcome)
        shutil.rmtree(target)
    return outcome
