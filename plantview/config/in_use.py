"""The plant description that a running plant uses: a copy, so that a half-finished edit never reaches it.

Processes are started again when they fall, whatever stands in the folder at that moment; they read the copy.
``plantview reload`` makes the next one, once it was found free of mistakes as a whole.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Final

from plantview.errors import StartRefused

FOLDER: Final = "in-use"
FILES_MAX: Final = 100
BYTES_MAX: Final = 50_000_000
KEPT: Final = 2
"""The present copy and the one before it, to fall back on."""


def copy_in_use(folder: Path, data: Path) -> Path:
    """Copy the files of a plant folder into the data folder; return the copy, named as the folder is.

    StartRefused if it cannot be copied or is no plant folder at all.
    """
    files = sorted(path for path in folder.iterdir() if path.is_file()) if folder.is_dir() else []
    if len(files) > FILES_MAX or sum(path.stat().st_size for path in files) > BYTES_MAX:
        raise StartRefused(
            f"{folder} holds more than {FILES_MAX} files or {BYTES_MAX // 1_000_000} MB; keep only the plant's files there"
        )
    place = data / FOLDER
    numbers = [int(path.name) for path in place.glob("*") if path.name.isdecimal()]
    made = place / str(max(numbers, default=0) + 1) / folder.resolve().name
    try:
        made.mkdir(parents=True)
        for path in files:
            shutil.copyfile(path, made / path.name)
    except OSError as error:
        raise StartRefused(f"{folder} cannot be copied to {made}: {error.strerror}") from None
    return made


def forget_older(in_use: Path) -> None:
    """Remove all copies but the present one and the one before it."""
    place = in_use.parent.parent
    older = sorted((int(path.name) for path in place.glob("*") if path.name.isdecimal()), reverse=True)[KEPT:]
    for number in older:
        shutil.rmtree(place / str(number), ignore_errors=True)


def forget(copy: Path) -> None:
    """Remove a copy that is not used."""
    shutil.rmtree(copy.parent, ignore_errors=True)


def same(one: Path, other: Path) -> bool:
    """Whether two plant folders hold the same files with the same content."""
    contents = [
        {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()} for folder in (one, other)
    ]
    return contents[0] == contents[1]
