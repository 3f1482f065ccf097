"""``[equipment]`` and ``[templates]``: steel, with its design data in any known unit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from plantview.config.positions import Path
from plantview.config.problems import Problems, near
from plantview.model.design import DESIGN, TRAITS
from plantview.model.plant import Equipment, Loop
from plantview.units import UnknownUnit, parse

_COMMON: Final = ("kind", "use", "label", "part_of", "building")
_PARTS: Final = {"fan": "tower_cell"}


def read_equipment(raw: Mapping[str, Any], problems: Problems) -> dict[str, Equipment]:
    """Return the equipment that could be read; what could not is noted."""
    templates = raw.get("templates", {})
    found: dict[str, Equipment] = {}
    for name, row in raw.get("equipment", {}).items():
        path = ("equipment", name)
        if not isinstance(row, Mapping):
            problems.add(path, "is not a table", f'write {name} = {{ kind = "pump", … }}')
            continue
        merged, origin = _with_template(name, row, templates, problems)
        kind = merged.get("kind")
        if kind not in DESIGN:
            where = ("templates", row["use"]) if row.get("use") in templates else path
            wrong = f"unknown kind '{kind}'" if kind is not None else "the kind is missing"
            problems.add(origin.get("kind", where), wrong, near(str(kind), DESIGN))
            continue
        found[name] = _one(name, kind, merged, origin, problems)
    return found


def _with_template(
    name: str, row: Mapping[str, Any], templates: Mapping[str, Any], problems: Problems
) -> tuple[dict[str, Any], dict[str, Path]]:
    """Return the row completed by its template, and where each key was written."""
    own: dict[str, Path] = {key: ("equipment", name, key) for key in row}
    use = row.get("use")
    if use is None:
        return dict(row), own
    if use not in templates:
        problems.add(own["use"], f"no template '{use}'", near(str(use), templates))
        return dict(row), own
    return {**templates[use], **row}, {**{key: ("templates", use, key) for key in templates[use]}, **own}


def _one(name: str, kind: str, row: Mapping[str, Any], origin: Mapping[str, Path], problems: Problems) -> Equipment:
    design: dict[str, float] = {}
    traits: dict[str, str] = {}
    texts = {"label": name, "part_of": "", "building": ""}
    for key, value in row.items():
        path = origin[key]
        if key in DESIGN[kind]:
            try:
                design[key] = parse(_text(value), DESIGN[kind][key])
            except UnknownUnit as error:
                problems.add(path, str(error), "write the number and a unit of that quantity")
        elif key in TRAITS.get(kind, ()) or key in texts:
            if not isinstance(value, str):
                problems.add(path, f"{value!r} is not a text", f'write {key} = "…"')
            elif key in texts:
                texts[key] = value
            else:
                traits[key] = value
        elif key not in _COMMON:
            known = (*_COMMON, *TRAITS.get(kind, ()), *DESIGN[kind])
            problems.add(path, f"a {kind} has no '{key}'", near(key, known))
    return Equipment(name, kind, texts["label"], texts["part_of"], texts["building"], traits, design)


def _text(value: object) -> str:
    return value if isinstance(value, str) else repr(value)


def check_parts(equipment: Mapping[str, Equipment], loops: Mapping[str, Loop], problems: Problems) -> None:
    """Note parts that belong to nothing."""
    headers = {header for loop in loops.values() for header in loop.headers}
    for item in equipment.values():
        path = ("equipment", item.id, "part_of")
        wanted = _PARTS.get(item.kind)
        if wanted and not item.part_of:
            problems.add(path, f"a {item.kind} needs part_of", f"name its {wanted}")
        if not item.part_of:
            continue
        whole = equipment.get(item.part_of)
        if item.part_of in problems.broken:
            continue
        if whole is None and item.part_of not in headers:
            problems.add(path, f"no equipment or header '{item.part_of}'", near(item.part_of, [*equipment, *headers]))
        elif wanted and (whole is None or whole.kind != wanted):
            problems.add(path, f"'{item.part_of}' is no {wanted}", f"name the {wanted} that the {item.kind} serves")
