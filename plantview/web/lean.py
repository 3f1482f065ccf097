"""Dash without the files that no page of ours needs: two thirds of what it would send before the first number stands.

Its library of form controls, its table and the polyfill for browsers of before 2018 are left out of the index; the one
control that pages had from there, the one that says where the browser is, is ``assets/lean.js``.
"""

from __future__ import annotations

import re
from typing import Any, Final

from dash import Dash
from dash.development.base_component import Component
from typing_extensions import override

NOT_NEEDED: Final = ("dash/dcc/", "dash/dash_table/", "dash/deps/polyfill")
_SCRIPT: Final = re.compile(r'<script src="([^"]*)"></script>\n?')


class Location(Component):
    """Tells callbacks the path of the page, once, as ``pathname``."""

    _namespace = "plantview_lean"
    _type = "Location"

    def __init__(self, id: str) -> None:  # noqa: A002 - Dash's name for it
        self._prop_names = self.available_properties = ["id", "pathname"]
        self._valid_wildcard_attributes: list[str] = []
        self.available_wildcard_properties: list[str] = []
        super().__init__(id=id)  # type: ignore[no-untyped-call]


class LeanDash(Dash):
    """Dash whose index asks only for what pages use."""

    @override
    def interpolate_index(self, *given: Any, **parts: Any) -> str:
        parts["scripts"] = without(parts["scripts"])
        return str(super().interpolate_index(*given, **parts))  # type: ignore[no-untyped-call]


def without(scripts: str) -> str:
    """Return script elements without those that are not needed."""
    return _SCRIPT.sub(lambda found: "" if any(part in found[1] for part in NOT_NEEDED) else found[0], scripts)
