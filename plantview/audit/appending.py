"""Appends whole lines to a file and has them on disk before it returns."""

from __future__ import annotations

import errno
import os
from pathlib import Path


def append_synced(path: Path, octets: bytes) -> None:
    """Append and have it on disk; OSError if it is not, and what was written only in part is taken back."""
    opened = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    try:
        size = os.fstat(opened).st_size
        try:
            if os.write(opened, octets) != len(octets):
                raise OSError(errno.ENOSPC, "no space left for a whole line")
            os.fsync(opened)
        except OSError:
            os.ftruncate(opened, size)
            raise
    finally:
        os.close(opened)


def replace_synced(path: Path, octets: bytes) -> None:
    """Replace a whole file: after a power cut the old one or the new one is there; OSError if it cannot be had."""
    new = path.with_name(path.name + ".new")
    new.unlink(missing_ok=True)
    append_synced(new, octets)
    new.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on disk."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
