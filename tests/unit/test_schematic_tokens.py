"""Contrast of both themes: WCAG 2.2 relative luminance and contrast ratio, success criteria 1.4.3 and 1.4.11."""

from __future__ import annotations

import re

import pytest

from plantview.config.bundled import bundled

THEMES = ("light", "dark")


def _tokens(theme: str) -> dict[str, str]:
    sheet = (bundled("assets") / "tokens.css").read_text(encoding="utf-8")
    opening = {"light": r":root \{", "dark": r'\[data-theme="dark"\] \{'}[theme]
    block = re.search(opening + r"(.*?)\}", sheet, re.DOTALL)
    assert block is not None
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block.group(1)))


def _luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, two: str) -> float:
    low, high = sorted((_luminance(one), _luminance(two)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_the_ratios_of_the_standard() -> None:
    # WCAG 2.2: black on white is 21:1; #777777 on white is the well-known 4.48:1 (from memory)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(
    ("ink", "ground"),
    [
        ("ink", "bg"),
        ("ink", "panel"),
        ("ink2", "bg"),
        ("ink2", "panel"),
        ("ink3", "bg"),
        ("mass-ink", "mass"),
        ("on-red", "red"),
        ("on-sign", "orange"),
        ("on-sign", "yellow"),
        ("on-sign", "low"),
        ("on-hand", "hand"),
    ],
)
def test_text_stands_out_by_at_least_4_5(theme: str, ink: str, ground: str) -> None:
    tokens = _tokens(theme)
    assert contrast(tokens[ink], tokens[ground]) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("part", ["condenser", "chilled", "hot", "ghost", "mass", "hand", "red"])
def test_parts_of_the_drawing_stand_out_by_at_least_3(theme: str, part: str) -> None:
    tokens = _tokens(theme)
    assert contrast(tokens[part], tokens["bg"]) >= 3.0


@pytest.mark.parametrize("part", ["orange", "yellow", "low"])
def test_where_a_sign_is_too_pale_for_the_ground_its_edge_is_not(part: str) -> None:
    light = _tokens("light")
    assert contrast(light["sign-edge"], light["bg"]) >= 7.0
    assert contrast(light["sign-edge"], light[part]) >= 3.0


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("water", ["condenser", "chilled", "hot"])
def test_a_pipe_with_flow_differs_from_one_at_rest_in_grey_too(theme: str, water: str) -> None:
    tokens = _tokens(theme)
    assert contrast(tokens[water], tokens[f"{water}-rest"]) >= 1.6


def test_the_theme_of_the_computer_has_the_same_dark_colours() -> None:
    sheet = (bundled("assets") / "tokens.css").read_text(encoding="utf-8")
    automatic = re.search(r'\[data-theme="auto"\] \{(.*?)\}', sheet, re.DOTALL)
    assert automatic is not None
    assert dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", automatic.group(1))) == _tokens("dark")
