"""The ``accuracy`` cell of a point: ``0.2 degF``, ``2 %``, ``1 psi + 0.5 %``, ``0.2 degF pair 0.1 degF``."""

from __future__ import annotations

import math
import re
from typing import Final

from plantview.model.accuracy import PAIRS, Accuracy
from plantview.units import Unit, UnknownUnit, unit

EXAMPLE: Final = "write it like 0.2 degF, 2 %, 1 psi + 0.5 %, or 0.2 degF pair 0.1 degF; it is plus and minus, at 95 %"
_PART: Final = re.compile(r"([0-9.]+)\s*([^\s0-9.]\S*)")
_AS_DIFFERENCE: Final = {
    "temperature": "temperature_difference",
    "pressure_gauge": "pressure_difference",
    "pressure_absolute": "pressure_difference",
}
"""Quantities whose accuracy is a difference: no 32, no gauge or absolute."""
_DIFFERENCE_NAMES: Final = {"degF": "delta_degF", "degC": "K", "psig": "psi", "psia": "psi", "kPag": "kPa", "kPaa": "kPa",
                            "barg": "bar", "bara": "bar"}  # fmt: skip
_HPA_KPA: Final = {"hPa": 0.1, "inHg": 3.386389}
"""Units that are only ever absolute, in kPa."""
_OF_READING: Final = frozenset({"%", "%rdg"})


class AccuracyProblem(Exception):
    """What is wrong with an accuracy cell, and the remedy."""

    def __init__(self, wrong: str, remedy: str = EXAMPLE) -> None:
        self.wrong, self.remedy = wrong, remedy
        super().__init__(wrong)


def read_accuracy(text: str, reported: Unit) -> Accuracy:
    """Return the accuracy that a cell declares for a point of this unit; AccuracyProblem where it cannot be."""
    own, pair_word, pair_text = text.partition("pair")
    absolute = share = 0.0
    for part in own.split("+"):
        number, name = _number_and_unit(part, text)
        if name in _OF_READING and reported.quantity not in {"percent", "humidity"}:
            share = number / 100.0
        else:
            absolute = _difference(number, name, reported, text)
    if absolute <= 0 and share <= 0:
        raise AccuracyProblem(f"'{text}' is no accuracy above 0")
    if not pair_word:
        return Accuracy(absolute, share)
    return Accuracy(absolute, share, _pair(pair_text, absolute, reported, text))


def _pair(pair_text: str, absolute: float, reported: Unit, text: str) -> float:
    if reported.quantity != "temperature":
        raise AccuracyProblem(f"'{text}': only temperatures are matched pairs", "leave the part with pair out")
    difference = _difference(*_number_and_unit(pair_text, text), reported, text)
    if not 0 < difference <= 2.0 * absolute:
        raise AccuracyProblem(
            f"'{text}': a difference of two such sensors cannot be that unsure",
            "give the pair's accuracy of the difference, at most twice that of one sensor",
        )
    return difference


def _number_and_unit(part: str, text: str) -> tuple[float, str]:
    found = _PART.fullmatch(part.strip().lstrip("±").strip())
    try:
        number = float(found[1]) if found else math.nan
    except ValueError:
        number = math.nan
    if found is None or not math.isfinite(number):
        raise AccuracyProblem(f"'{text}' is no accuracy")
    return number, found[2]


def _difference(number: float, name: str, reported: Unit, text: str) -> float:
    quantity = _AS_DIFFERENCE.get(reported.quantity, reported.quantity)
    if quantity == "pressure_difference" and name in _HPA_KPA:
        return number * _HPA_KPA[name]
    try:
        return (
            number * unit(_DIFFERENCE_NAMES.get(name, name) if quantity != reported.quantity else name, quantity).factor
        )
    except UnknownUnit as error:
        raise AccuracyProblem(f"'{text}': {error}") from None


def unmatched(accuracies: dict[str, Accuracy]) -> list[tuple[str, str]]:
    """Return the points that declare a pair whose other half does not: (point, what the other would be)."""
    others = {one: other for pair in PAIRS for one, other in (pair, pair[::-1])}
    found: list[tuple[str, str]] = []
    for name, accuracy in accuracies.items():
        machine, _, measurement = name.rpartition(".")
        partner = f"{machine}.{others[measurement]}" if measurement in others else ""
        other = accuracies.get(partner)
        if accuracy.pair and (other is None or other.pair != accuracy.pair or other.absolute != accuracy.absolute):
            found.append((name, partner))
    return found
