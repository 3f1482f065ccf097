"""From loops to an order of columns: what stands beside what, before any coordinate.

A loop is folded at its two end machines: the tower stands left of the chiller, the coil
right of it. Between them lie *columns* of machines (headered pumps, or the pumps that stand
in a machine's own branch); the *gaps* between columns carry the mains. A header gets one
vertical main in each gap where something taps it; *links* join those mains across columns,
and carry bypasses and valves that stand in a main.
"""

from __future__ import annotations

from dataclasses import dataclass

from plantview.model.plant import Loop, Plant, Port

LEFT, RIGHT = "left", "right"

ENDS = {"condenser": ("tower_cell", "chiller"), "chilled": ("chiller", "coil")}
"""Water -> kinds of the machines at the left and at the right end of its loop."""


class NotDrawn(Exception):
    """An arrangement that this drawing cannot show truly; the text says which."""


@dataclass(frozen=True, slots=True)
class Branch:
    """One branch of a stage, with the key under which its flow is reported."""

    key: str
    ports: tuple[Port, ...]
    start: str
    end: str


@dataclass(frozen=True, slots=True)
class Column:
    """Machines side by side in one place of the loop, one lane each."""

    branches: tuple[Branch, ...]
    machines: tuple[tuple[Port, ...], ...]
    """Per branch: what stands in this column, in flow order."""
    eastward: bool
    """Whether water moves to the right through it."""
    of_end: str
    """LEFT or RIGHT when the machines share the lanes of that end, else empty."""


@dataclass(frozen=True, slots=True)
class Tap:
    """Where a branch meets a header's main."""

    header: str
    gap: int
    branch: Branch
    lane: tuple[str, int]
    """(LEFT or RIGHT, lane) or (``column N``, lane)."""
    role: str
    """``in`` (to the machine) or ``out`` (from it)."""
    from_left: bool
    """Whether the branch lies left of the main."""


@dataclass(frozen=True, slots=True)
class Link:
    """A horizontal run between two mains: of one header, or a path with flow of its own."""

    start: tuple[str, int]
    """(header, gap)."""
    end: tuple[str, int]
    key: str
    """Flow key, empty for a run of one header."""
    id: str
    """Bypass or stage id, or the header's."""
    via: tuple[str, ...]
    either_way: bool
    top: bool
    """Whether it runs above the lanes, else below."""


@dataclass(frozen=True, slots=True)
class Span:
    """One loop between its two end machines."""

    loop: Loop
    left: tuple[Branch, ...]
    right: tuple[Branch, ...]
    columns: tuple[Column, ...]
    taps: tuple[Tap, ...]
    links: tuple[Link, ...]

    @property
    def gaps(self) -> range:
        """Return the numbers of the gaps, left to right."""
        return range(len(self.columns) + 1)

    def headers_in(self, gap: int) -> tuple[str, ...]:
        """Return the headers that have a main in a gap."""
        found = {tap.header for tap in self.taps if tap.gap == gap}
        found |= {header for link in self.links for header, at in (link.start, link.end) if at == gap}
        return tuple(header for header in self.loop.headers if header in found)


def is_bulky(plant: Plant, port: Port) -> bool:
    """Return whether a machine needs a column; valves find room beside the end machine."""
    return plant.equipment[port.equipment].kind != "valve"


def machine_of(plant: Plant, branch: Branch) -> Port:
    """Return the end machine of a branch; NotDrawn if there is more than one, or none."""
    ends = [port for port in branch.ports if plant.equipment[port.equipment].kind in ("chiller", "tower_cell", "coil")]
    if len(ends) != 1:
        raise NotDrawn(f"branch {branch.key} has {len(ends)} machines in a row")
    return ends[0]


def chain_of(plant: Plant, branch: Branch, chain: str) -> tuple[Port, ...]:
    """Return what stands before (``in``) or after (``out``) the end machine, in flow order."""
    at = branch.ports.index(machine_of(plant, branch))
    return branch.ports[:at] if chain == "in" else branch.ports[at + 1 :]
