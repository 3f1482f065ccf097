"""Draws the pipes of a span: mains with their pieces, runs across columns, stubs and links."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

from plantview.model.plant import Plant
from plantview.model.services import WORDS, service_of
from plantview.web.schematic.geometry import Point
from plantview.web.schematic.layout import Grid
from plantview.web.schematic.scene import Flow, Pipe
from plantview.web.schematic.segments import edges
from plantview.web.schematic.spacing import port_y, tap_y
from plantview.web.schematic.topology import Branch, Span, Tap, machines_of


def pipes_of(plant: Plant, grid: Grid, span: Span, stub_ends: dict[tuple[str, str], float]) -> list[Pipe]:
    """Return all pipes of a loop.

    ``stub_ends`` gives, per (branch key, ``in`` or ``out``), the x at which the stub reaches a machine.
    """
    pipes = [_stub(plant, grid, span, tap, stub_ends) for tap in span.taps]
    pipes += [pipe for branch in (*span.left, *span.right) for pipe in _in_series(plant, grid, span, branch, stub_ends)]
    for header in span.loop.headers:
        pipes += _header(plant, grid, span, header)
    pipes += [_link(grid, span, index) for index, link in enumerate(span.links) if link.key]
    return pipes


def _named(span: Span, header: str) -> tuple[str, str]:
    service = service_of(span.loop, header)
    return service, WORDS[service]


def _stub(plant: Plant, grid: Grid, span: Span, tap: Tap, stub_ends: dict[tuple[str, str], float]) -> Pipe:
    y = grid.lanes_top + tap_y(plant, span, tap, grid.lanes)
    main = (grid.main_x[span.loop.id, tap.header, tap.gap], y)
    machine = (stub_ends[tap.branch.key, tap.role], y)
    ends = (main, machine) if tap.role == "in" else (machine, main)
    service, words = _named(span, tap.header)
    return Pipe("stub", tap.header, service, ends, ((tap.branch.key, 1),), words)


def _in_series(
    plant: Plant, grid: Grid, span: Span, branch: Branch, stub_ends: dict[tuple[str, str], float]
) -> list[Pipe]:
    """Return the pipes from each machine of a branch to the next: out, along the lanes, in."""
    edge, measures = stub_ends[branch.key, "in"], grid.lanes.measures
    service, words = _named(span, branch.end)
    pipes: list[Pipe] = []
    for one, two in pairwise(machines_of(plant, branch)):
        outward = 1 if branch in span.left else -1
        x = edge + outward * (measures.zone["chiller"] + measures.series - 8)
        y1 = grid.lanes_top + port_y(plant, branch, one, "out", grid.lanes)
        y2 = grid.lanes_top + port_y(plant, branch, two, "in", grid.lanes)
        label = f"{one.equipment} to {two.equipment}, {words}"
        corners = [(edge, y1), (x, y1), (x, y2), (edge, y2)]
        for (start, end), turns in zip(pairwise(corners), ((False, True), (True, True), (True, False)), strict=True):
            pipes.append(Pipe("series", branch.end, service, (start, end), ((branch.key, 1),), label, turns))
    return pipes


def _header(plant: Plant, grid: Grid, span: Span, header: str) -> list[Pipe]:
    """Return the mains and runs of one header, cut at their tees."""
    inflows = _inflows(plant, grid, span, header)
    tees: dict[float, set[float]] = defaultdict(set)
    for x, y in inflows:
        tees[x].add(y)
    runs: list[tuple[Point, Point]] = []
    for link in span.links:
        if not link.key and link.id == header:
            y = grid.y_of(span, link)
            one, two = sorted(grid.link_ends(span, link))
            tees[one].add(y)
            tees[two].add(y)
            runs.append(((one, y), (two, y)))
    mains: list[tuple[Point, Point]] = []
    for x, ys in tees.items():
        ordered = sorted(ys)
        mains += [((x, low), (x, high)) for low, high in pairwise(ordered)]
    outer = {(x, extreme) for x, ys in tees.items() for extreme in (min(ys), max(ys))}
    service, words = _named(span, header)
    pipes = []
    for edge in edges([*mains, *runs], inflows):
        kind = "main" if edge.start[0] == edge.end[0] else "run"
        corners = (edge.start in outer, edge.end in outer)
        pipes.append(Pipe(kind, header, service, (edge.start, edge.end), edge.flow, words, corners))
    return pipes


def _inflows(plant: Plant, grid: Grid, span: Span, header: str) -> dict[Point, Flow]:
    found: dict[Point, list[tuple[str, int]]] = defaultdict(list)
    for tap in span.taps:
        if tap.header == header:
            y = grid.lanes_top + tap_y(plant, span, tap, grid.lanes)
            found[grid.main_x[span.loop.id, header, tap.gap], y].append(
                (tap.branch.key, 1 if tap.role == "out" else -1)
            )
    for link in span.links:
        if link.key:
            y = grid.y_of(span, link)
            for (at, gap), sign in ((link.start, -1), (link.end, 1)):
                if at == header:
                    found[grid.main_x[span.loop.id, header, gap], y].append((link.key, sign))
    return {point: tuple(flow) for point, flow in found.items()}


def _link(grid: Grid, span: Span, index: int) -> Pipe:
    link = span.links[index]
    y = grid.y_of(span, link)
    one, two = grid.link_ends(span, link)
    header = link.start[0]
    service, words = _named(span, header)
    name = "" if service_of(span.loop, link.end[0]) == service else f"{link.id.replace('-', ' ')}, "
    return Pipe("link", header, service, ((one, y), (two, y)), ((link.key, 1),), name + words, (True, True))
