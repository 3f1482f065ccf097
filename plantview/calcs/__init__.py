"""Engineering calculations: pure functions of numbers, one module per physical subject.

A function takes numbers, NumPy arrays or pandas series and gives the same back, in the one
unit per quantity that calculations use: °C, K, L/s, kPa, kW, %. Three rules hold for all:

- NaN in, NaN out: a missing value stays missing.
- Beyond the range of the source, or where the formula has no answer (a division by zero),
  a number is refused with ``OutsideSourceRange`` and an element of an array becomes NaN, so
  that one bad minute does not cost a month's trend. Nothing is ever clamped.
- A surprising sign (a loop that runs backwards) is an answer, not an error.
"""
