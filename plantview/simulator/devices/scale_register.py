"""A register whose number N says that its values are to be multiplied by 10**N (SunSpec: ``sunssf``, an int16)."""

from __future__ import annotations

import math
from typing import Final

from plantview.model.point import ModbusAddress
from plantview.simulator.devices.registers import fits

FINEST, COARSEST = -3, 10
WORDS: Final = 0x10000


class ScaleRegister:
    """The exponent that several values share: the finest at which all of them fit their registers."""

    def __init__(self) -> None:
        self.exponent = FINEST
        self._needed: dict[str, int] = {}

    @property
    def word(self) -> int:
        """Return the exponent as the register holds it."""
        return self.exponent % WORDS

    def admit(self, name: str, address: ModbusAddress, value: float) -> bool:
        """Take note of a value; return whether the exponent had to change for it."""
        self._needed[name] = _needed(address, value)
        before, self.exponent = self.exponent, max(self._needed.values())
        return self.exponent != before

    def scaled(self, value: float) -> float:
        """Return what goes into the value's own register."""
        return value * 10.0**-self.exponent

    def value(self, number: float) -> float:
        """Return the value that a number in its register stands for."""
        return number * 10.0**self.exponent


def _needed(address: ModbusAddress, value: float) -> int:
    if not math.isfinite(value):
        return FINEST
    return next((at for at in range(FINEST, COARSEST) if fits(address, value * 10.0**-at)), COARSEST)
