"""Where the files that come with plantview are: in the wheel first, in the checkout second."""

from __future__ import annotations

from pathlib import Path
from typing import Final

DATA_FOLDERS: Final = Path("plantview-data")
"""Where plants keep their data unless they are told otherwise, below the folder that a command is given in."""
_PACKAGE = Path(__file__).resolve().parent.parent


def bundled(name: str) -> Path:
    """Return the folder of bundled ``plants`` or ``assets``."""
    inside = _PACKAGE / f"_{name}"
    checkout = _PACKAGE.parent / ("config" if name == "plants" else name)
    return inside if inside.is_dir() else checkout


def bundled_plants() -> dict[str, Path]:
    """Return the example plants by name."""
    return {folder.name: folder for folder in sorted(bundled("plants").iterdir()) if (folder / "plant.toml").is_file()}


def plant_folder(text: str) -> Path:
    """Return the folder that a person names: a path, or the name of an example plant."""
    path = Path(text)
    return path if path.exists() else bundled_plants().get(text, path)


def data_folder(given: str | None, folder: Path) -> Path:
    """Return where the plant described in a folder keeps its data: the place that was given, else one of its name."""
    return Path(given or DATA_FOLDERS / folder.resolve().name)
