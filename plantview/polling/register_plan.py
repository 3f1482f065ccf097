"""Which registers of a unit go into one request: blocks that bridge small gaps, and the holes found in them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from plantview.drivers.modbus_reader import BITS_MAX, REGISTERS_MAX
from plantview.model.point import ModbusAddress, Point
from plantview.polling.request_cost import GAP_MAX, GAP_MIN, GAP_START

BITS_PER_REGISTER: Final = {"holding": 1, "input": 1, "coil": 16, "discrete": 16}
"""Bits take a sixteenth of a register's octets, so that so many more of them are worth reading along."""
COUNT_MAX: Final = {"holding": REGISTERS_MAX, "input": REGISTERS_MAX, "coil": BITS_MAX, "discrete": BITS_MAX}
REFUSED_FOR_S: Final = 3_600.0
"""A point whose address the device refuses is asked again, alone, after an hour of plant time."""


class Span(NamedTuple):
    """One point and the registers it takes: never split over two requests, or its halves come from two moments."""

    first: int
    end: int
    point: Point


@dataclass(frozen=True, slots=True)
class Block:
    """Registers read in one request, with the points in them."""

    table: str
    first: int
    count: int
    spans: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Cut:
    """A block in two; ``hole`` is where a bridged gap ends, None where no gap was bridged."""

    left: Block
    right: Block
    hole: int | None


class RegisterPlan:
    """Blocks of one unit for points of one period, and what the unit taught us."""

    def __init__(self, points: Iterable[Point]) -> None:
        self.spans: dict[str, list[Span]] = {}
        for point in points:
            if isinstance(point.address, ModbusAddress):
                span = Span(*point.address.reach, point)
                self.spans.setdefault(point.address.table, []).append(span)
        for spans in self.spans.values():
            spans.sort(key=lambda span: span[:2])
        self._count_max = dict(COUNT_MAX)
        self.gap = GAP_START
        """Unused registers that are read along rather than asked around."""
        self._holes: set[tuple[str, int]] = set()
        self._refused: dict[str, tuple[float, str, Block]] = {}
        self._blocks: tuple[Block, ...] | None = None

    def blocks(self, now_s: float) -> tuple[Block, ...]:
        """Return the requests of one cycle."""
        again = {(block.table, block.first): block for until_s, _, block in self._refused.values() if until_s <= now_s}
        return self._together() + tuple(again.values())

    def refused(self, now_s: float) -> dict[str, str]:
        """Return the points that are not asked at present, with the device's word."""
        return {name: why for name, (until_s, why, _) in self._refused.items() if until_s > now_s}

    def refuse(self, block: Block, now_s: float, why: str) -> None:
        """Keep the points of a block that cannot be cut out of the others' blocks for an hour."""
        for span in block.spans:
            self._refused[span.point.name] = (now_s + REFUSED_FOR_S, why, block)
        self._blocks = None

    def accept(self, block: Block) -> None:
        """Take points back among the others."""
        for span in block.spans:
            if self._refused.pop(span.point.name, None) is not None:
                self._blocks = None

    def learn(self, block: Block, cut: Cut) -> None:
        """Remember why a block failed whose two parts are both fine: a hole in between, else its size."""
        if cut.hole is not None:
            self._holes.add((block.table, cut.hole))
        else:
            self._count_max[block.table] = max(cut.left.count, cut.right.count)
        self._blocks = None

    def bridge(self, gap: int) -> None:
        """Read gaps of so many registers along from now on."""
        if gap != self.gap:
            self.gap, self._blocks = gap, None

    def cut(self, block: Block) -> Cut | None:
        """Return the block in two parts, at the bridged gap nearest its middle; None if it cannot be cut."""
        places = _places(block.spans)
        gaps = [(at, first) for at, first, gap in places if gap]
        middle = block.first + block.count / 2
        candidates = gaps or [(at, first) for at, first, _ in places]
        if not candidates:
            return None
        at, first = min(candidates, key=lambda place: abs(place[1] - middle))
        left, right = _block(block.table, block.spans[:at]), _block(block.table, block.spans[at:])
        return Cut(left, right, first if gaps else None)

    def learned(self) -> dict[str, Any]:
        """Return holes, size limits and the gap as they are kept over a restart; empty while nothing was learned."""
        smaller = {table: count for table, count in self._count_max.items() if count != COUNT_MAX[table]}
        found = {"holes": sorted([table, edge] for table, edge in self._holes), "count_max": smaller, "gap": self.gap}
        return found if self._holes or smaller or self.gap != GAP_START else {}

    def recall(self, learned: Mapping[str, Any]) -> None:
        """Take back what ``learned`` gave, as far as it fits this plan."""
        edges = {(table, span.first) for table, spans in self.spans.items() for span in spans}
        self._holes |= edges & {(str(table), int(edge)) for table, edge in learned.get("holes", ())}
        for table, count in learned.get("count_max", {}).items():
            if table in COUNT_MAX and 0 < count < COUNT_MAX[table]:
                self._count_max[table] = count
        gap = learned.get("gap", GAP_START)
        self.gap = min(max(gap, GAP_MIN), GAP_MAX) if isinstance(gap, int) else GAP_START
        self._blocks = None

    def as_dict(self) -> dict[str, Any]:
        """Return what the health page shows of it."""
        smaller = {table: count for table, count in self._count_max.items() if count != COUNT_MAX[table]}
        return {
            "requests_per_cycle": len(self._together()),
            "learned": {
                "holes": [f"{table} {edge}" for table, edge in sorted(self._holes)],
                "count_max": smaller,
                "gap": self.gap,
                "refused": len(self._refused),
            },
        }

    def _together(self) -> tuple[Block, ...]:
        if self._blocks is None:
            self._blocks = tuple(block for table, spans in self.spans.items() for block in self._joined(table, spans))
        return self._blocks

    def _joined(self, table: str, spans: Sequence[Span]) -> Iterable[Block]:
        joined: list[Span] = []
        end = 0
        for span in spans:
            refused = span.point.name in self._refused  # nor is its address bridged
            if joined and (refused or not self._fits(table, joined[0].first, end, span)):
                yield _block(table, joined)
                joined, end = [], 0
            if not refused:
                joined.append(span)
                end = max(end, span.end)
        if joined:
            yield _block(table, joined)

    def _fits(self, table: str, first: int, end: int, span: Span) -> bool:
        gap = span.first - end
        return (
            gap <= self.gap * BITS_PER_REGISTER[table]
            and max(end, span.end) - first <= self._count_max[table]
            and (gap <= 0 or (table, span.first) not in self._holes)
        )


def _block(table: str, spans: Sequence[Span]) -> Block:
    first = spans[0].first
    return Block(table, first, max(span.end for span in spans) - first, tuple(spans))


def _places(spans: Sequence[Span]) -> list[tuple[int, int, int]]:
    """Return (index, first register, gap before it) of every place where no point would be cut."""
    found, end = [], spans[0].end
    for at, span in enumerate(spans[1:], start=1):
        if span.first >= end:
            found.append((at, span.first, span.first - end))
        end = max(end, span.end)
    return found
