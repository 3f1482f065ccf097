"""Collecting everything that is wrong before saying anything."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from plantview.config.positions import Path, Positions
from plantview.errors import Problem


class Strict(BaseModel):
    """Unknown keys are errors, nothing is coerced, nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


T = TypeVar("T", bound=Strict)


class Problems:
    """The problems of one file, found with their lines."""

    def __init__(self, file: str, positions: Positions | None = None) -> None:
        self.file = file
        self.found: list[Problem] = []
        self.broken: frozenset[str] = frozenset()
        """Equipment and devices that are described, wrongly: their own problem is noted, and others need no second one."""
        self._positions = positions

    def line(self, path: Path) -> int:
        """Return the line of a path in the file."""
        return self._positions.line(path) if self._positions else 0

    def add(self, path: Path, wrong: str, remedy: str, line: int | None = None) -> None:
        """Note one problem at a place of the file."""
        at = self.line(path) if line is None else line
        problem = Problem(self.file, at, place_text(path), wrong, remedy)
        if problem not in self.found:  # a mistake in a template is one mistake, however often it is used
            self.found.append(problem)

    def parse(self, model: type[T], raw: object, path: Path) -> T | None:
        """Return ``raw`` as a model, or None after noting every problem in it."""
        if not isinstance(raw, Mapping):
            self.add(path, "is not a table", f"write [{place_text(path)}] and its keys below")
            return None
        try:
            return model.model_validate(dict(raw))
        except ValidationError as error:
            for item in error.errors():
                self._add_validation(model, path, dict(item))
            return None

    def _add_validation(self, model: type[Strict], path: Path, item: dict[str, Any]) -> None:
        place = (*path, *item["loc"])
        key = str(item["loc"][-1]) if item["loc"] else ""
        if item["type"] == "extra_forbidden":
            keys = [field.alias or name for name, field in _model_at(model, item["loc"][:-1]).model_fields.items()]
            self.add(place, f"unknown key '{key}'", near(key, keys))
        elif item["type"] == "missing":
            self.add(place, f"key '{key}' is missing", f"add {key} = …")
        else:
            self.add(place, f"{item['input']!r} does not fit: {item['msg'].lower()}", "correct the value")


def _model_at(model: type[Strict], loc: Iterable[str | int]) -> type[Strict]:
    """Return the model that stands at a place below ``model``."""
    at = model
    for part in loc:
        if isinstance(part, int):
            continue
        for name, field in at.model_fields.items():
            if part in {name, field.alias}:
                inner = [
                    arg for arg in _arguments(field.annotation) if isinstance(arg, type) and issubclass(arg, Strict)
                ]
                at = inner[0] if inner else at
    return at


def _arguments(annotation: object) -> list[object]:
    inner = getattr(annotation, "__args__", ())
    return [annotation, *(part for argument in inner for part in _arguments(argument))]


def near(word: str, known: Iterable[str]) -> str:
    """Return a remedy: the nearest known word, and what is known."""
    names = list(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    listing = ", ".join(sorted(names)[:KNOWN_SHOWN_MAX]) + (", …" if len(names) > KNOWN_SHOWN_MAX else "")
    if not close:
        return f"known: {listing or 'nothing yet'}"
    return f"did you mean '{close[0]}'?" + (f" Known: {listing}" if len(names) <= KNOWN_BESIDE_MAX else "")


KNOWN_SHOWN_MAX = 40
KNOWN_BESIDE_MAX = 14
"""Beside a near miss only a short list helps."""


def place_text(path: Path) -> str:
    """Return ``loops.chw.stages[2].branches`` for a path."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else (f".{part}" if text else str(part))
    return text
