"""Where the files that come with plantview are: in the wheel first, in the checkout second."""

from __future__ import annotations

from pathlib import Path

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
