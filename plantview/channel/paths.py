"""Where the socket of a plant lies: a short path (108 bytes is the limit of a Unix socket), in a folder of ours alone."""

from __future__ import annotations

import hashlib
import os
import stat
import tempfile
from pathlib import Path
from typing import Final

from plantview.errors import StartRefused

FOLDER_MODE: Final = 0o700
SOCKET_MODE: Final = 0o600


def socket_path(data_dir: Path) -> Path:
    """Return the socket of the field process that owns a data folder; nothing is created."""
    runtime = os.environ.get("XDG_RUNTIME_DIR", "")
    base = Path(runtime) if runtime and Path(runtime).is_dir() else Path(tempfile.gettempdir())
    name = hashlib.sha256(str(data_dir.resolve()).encode()).hexdigest()[:12]
    return base / f"plantview-{os.getuid()}" / f"{name}.sock"


def private_folder(folder: Path) -> None:
    """Create the folder of a socket, or make sure that it is ours alone; StartRefused says what is wrong."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.mkdir(mode=FOLDER_MODE, exist_ok=True)
    trouble = folder_trouble(folder)
    if trouble:
        raise StartRefused(
            f"the runtime folder {folder} {trouble}; remove it, or set XDG_RUNTIME_DIR to a folder of yours"
        )


def folder_trouble(folder: Path) -> str:
    """Return why a folder cannot be trusted (someone else could answer there), or nothing."""
    state = folder.lstat()
    if not stat.S_ISDIR(state.st_mode):
        return "is not a folder"
    if state.st_uid != os.getuid():
        return f"belongs to user {state.st_uid}, not to {os.getuid()}"
    if stat.S_IMODE(state.st_mode) & 0o077:
        return f"is open to others (mode {stat.S_IMODE(state.st_mode):o})"
    return ""
