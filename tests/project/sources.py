"""The source files of plantview, read once as text and as trees."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parent.parent.parent


@dataclass(frozen=True)
class Source:
    """One module."""

    module: str
    """Dotted name."""
    path: Path
    text: str
    tree: ast.Module

    @property
    def room(self) -> str:
        """Return the folder, or the file at the top, that it belongs to."""
        return self.module.split(".")[1] if "." in self.module else ""

    def imports(self) -> Iterator[str]:
        """Yield every imported module, with the imported name behind it."""
        for item in ast.walk(self.tree):
            if isinstance(item, ast.Import):
                yield from (name.name for name in item.names)
            elif isinstance(item, ast.ImportFrom):
                yield from (f"{item.module}.{name.name}" for name in item.names)


@cache
def sources() -> tuple[Source, ...]:
    """Return every module of the package."""
    found = []
    for path in sorted((CHECKOUT / "plantview").rglob("*.py")):
        parts = path.relative_to(CHECKOUT).with_suffix("").parts
        module = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        text = path.read_text(encoding="utf-8")
        found.append(Source(module, path, text, ast.parse(text)))
    return tuple(found)
