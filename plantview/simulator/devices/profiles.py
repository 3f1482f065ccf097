"""How capable a simulated controller is: longest APDU, segments, services, logs.

Real controllers differ; a reader that works with one of these works with the others. Sizes
are those that clause 20.1.2.5 of ANSI/ASHRAE 135 can name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

OCTETS: Final = (50, 128, 206, 480, 1024, 1476)
"""Longest APDU by its code."""
READ_PROPERTY_MULTIPLE: Final = 14
SUBSCRIBE_COV: Final = 5
READ_RANGE: Final = 26


@dataclass(frozen=True, slots=True)
class Profile:
    """What one kind of controller can do."""

    octets: int = 1024
    """Longest APDU that it sends and takes."""
    segments: bool = True
    """Whether it cuts long answers into segments, and puts long requests together."""
    lacks: frozenset[int] = field(default_factory=frozenset)
    """Confirmed services that it rejects as unrecognized."""
    subscriptions_max: int = 100
    logs: bool = True
    """Whether it keeps trend logs."""

    @property
    def octets_code(self) -> int:
        """Return the code of its longest APDU."""
        return OCTETS.index(self.octets)


FULL: Final = Profile()
SMALL: Final = Profile(octets=480, segments=False, subscriptions_max=20)
"""A field controller on a serial trunk."""
PLAIN: Final = Profile(
    octets=50,
    segments=False,
    lacks=frozenset({READ_PROPERTY_MULTIPLE, SUBSCRIBE_COV, READ_RANGE}),
    subscriptions_max=0,
    logs=False,
)
"""The least that the standard lets pass for a device: one property at a time."""

BY_LABEL: Final[Mapping[str, Profile]] = {"field controller": SMALL, "sensor hub": PLAIN}
"""The profile of controllers whose label in plant.toml is one of these; all others are ``FULL``."""


def profile_of(label: str, octets: float | None = None) -> Profile:
    """Return the profile of a device by its label, or, with ``octets``, one so small and without segments.

    ValueError for a size that the protocol cannot name.
    """
    if octets is None:
        return BY_LABEL.get(label.lower(), FULL)
    if octets not in OCTETS:
        raise ValueError(f"an APDU is {', '.join(map(str, OCTETS))} octets long, not {octets:g}")
    return replace(PLAIN if octets == OCTETS[0] else SMALL, octets=int(octets))
