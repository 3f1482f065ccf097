"""The error tree as drawn is the error tree as built."""

from __future__ import annotations

import re

from plantview import errors

DRAWN = re.compile(r"^(?P<indent>[│ ]*)[├└]── (?P<name>\w+) +(?P<meaning>\S.*)$", re.MULTILINE)


def real_tree() -> dict[str, str]:
    """Return each error's name with that of its parent."""
    return {
        name: found.__mro__[1].__name__
        for name, found in vars(errors).items()
        if isinstance(found, type) and issubclass(found, errors.PlantviewError) and found is not errors.PlantviewError
    }


def drawn_tree() -> dict[str, str]:
    """Return the same as the module's docstring draws it."""
    above = ["PlantviewError"]
    tree = {}
    for row in DRAWN.finditer(errors.__doc__ or ""):
        depth = len(row["indent"]) // 4 + 1
        above = [*above[:depth], row["name"]]
        tree[row["name"]] = above[depth - 1]
    return tree


def test_the_drawn_error_tree_is_the_real_one() -> None:
    assert drawn_tree() == real_tree()
    assert len(drawn_tree()) >= 10


def test_every_driver_error_says_device_and_detail() -> None:
    for name, parent in real_tree().items():
        if parent == "DriverError":
            error = getattr(errors, name)("CH-1", "no answer in 2 s", code="3")
            assert (error.device, error.detail, error.code) == ("CH-1", "no answer in 2 s", "3")
            assert str(error) == "CH-1: no answer in 2 s"
