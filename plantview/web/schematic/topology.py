"""From loops to an order of columns: what stands beside what, before any coordinate.

A loop is folded at its two ends: the towers stand left of the chillers, the coils right of
them; heat exchangers stand below the chillers, because they join the same two loops. Between
the ends lie *columns* of machines (headered pumps, or the pumps that stand in a machine's own
branch); the *gaps* between columns carry the mains. A header gets one vertical main in each
gap where something taps it; *links* join those mains across columns, and carry bypasses and
valves that stand in a main. A loop of hot water has the chillers' recovery condensers at its
left end, drawn once more below the plant where its pipes would otherwise cross all others.
"""

from __future__ import annotations

from dataclasses import dataclass

from plantview.model.plant import Loop, Plant, Port

LEFT, RIGHT = "left", "right"

ENDS = {"condenser": ("tower_cell", "chiller"), "chilled": ("chiller", "coil"), "hot": ("chiller", "coil")}
"""Water -> kinds of the machines at the left and at the right end of its loop."""
BESIDE = {"chiller": ("chiller", "heat_exchanger")}
"""Kind of an end -> kinds that stand there; others stand alone."""
END_KINDS = ("chiller", "heat_exchanger", "tower_cell", "coil")


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
    exchanger: str = ""
    """The heat exchanger around which it leads: it then runs just above that machine."""


@dataclass(frozen=True, slots=True)
class Span:
    """One loop between its two end machines."""

    loop: Loop
    left: tuple[Branch, ...]
    right: tuple[Branch, ...]
    columns: tuple[Column, ...]
    taps: tuple[Tap, ...]
    links: tuple[Link, ...]
    top: frozenset[str]
    """Headers whose runs lie above the lanes; the others' lie below."""

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


def place_of(port: Port) -> str:
    """Return the key of a machine's place: a recovery condenser has one of its own."""
    return f"{port.equipment}.{port.side}" if port.side == "recovery" else port.equipment


def machines_of(plant: Plant, branch: Branch) -> tuple[Port, ...]:
    """Return the end machines of a branch in flow order: several where they stand in series."""
    ends = tuple(port for port in branch.ports if plant.equipment[port.equipment].kind in END_KINDS)
    if not ends:
        raise NotDrawn(f"branch {branch.key} has no machine at its end")
    return ends


def machine_of(plant: Plant, branch: Branch, role: str = "in") -> Port:
    """Return the end machine at which a branch comes in, or from which it goes ``out``."""
    return machines_of(plant, branch)[0 if role == "in" else -1]


def chain_of(plant: Plant, branch: Branch, chain: str) -> tuple[Port, ...]:
    """Return what stands before (``in``) or after (``out``) the end machines, in flow order."""
    at = branch.ports.index(machine_of(plant, branch, chain))
    return branch.ports[:at] if chain == "in" else branch.ports[at + 1 :]
