"""Flows and header pressures of one loop, solved at every step.

The gradient method of Todini and Pilati (1987): Newton's method on flows and pressures together.
Every iteration solves a linear system whose rows are the mass balances of the headers, so mass
is conserved to rounding at each of them, converged or not.
"""

from __future__ import annotations

from typing import Final

LAMINAR_K: Final = 1e-3
"""Linear loss [kPa per kg/s] beside the quadratic one: keeps the slope finite where water stands."""
FLOW_TOLERANCE: Final = 1e-3
ITERATIONS_MAX: Final = 40
REOPEN_ITERATIONS: Final = 20
"""Check valves may open again only so long; then the solution must come to rest."""
_LEAST_CONDUCTANCE: Final = 1e-10
"""Ties headers that everything is shut around to pressure zero; passes below 1e-7 kg/s."""


class Path:
    """One way between two headers: start pressure - end pressure = k q|q| - head."""

    __slots__ = ("checked", "closed", "end", "flow", "head_kpa", "k", "one_way", "shut", "start")

    def __init__(self, start: int, end: int, one_way: bool) -> None:
        self.start = start
        self.end = end
        self.one_way = one_way
        self.k = 1.0
        self.head_kpa = 0.0
        self.shut = False
        """A valve in it is shut."""
        self.checked = False
        """Its check valve holds water back."""
        self.closed = False
        self.flow = 0.0


def solve(paths: list[Path], pressures: list[float], datum: int, datum_kpa: float) -> bool:
    """Find flows [kg/s] and pressures [kPa] in place; return whether the flows came to rest."""
    for path in paths:
        path.closed = path.shut or path.checked
        if path.closed:
            path.flow = 0.0
    for iteration in range(ITERATIONS_MAX):
        change = _iterate(paths, pressures, datum, datum_kpa)
        switched = _switch_check_valves(paths, pressures, iteration < REOPEN_ITERATIONS)
        if change < FLOW_TOLERANCE and not switched:
            return True
    return False


def _iterate(paths: list[Path], pressures: list[float], datum: int, datum_kpa: float) -> float:
    size = len(pressures)
    matrix = [[0.0] * size for _ in range(size)]
    right = [0.0] * size
    linear: list[tuple[Path, float, float]] = []
    for path in paths:
        if path.closed:
            continue
        q, k = path.flow, path.k
        conductance = 1 / (2 * k * abs(q) + LAMINAR_K)
        base = q - (k * q * abs(q) + LAMINAR_K * q - path.head_kpa) * conductance
        start, end = path.start, path.end
        matrix[start][start] += conductance
        matrix[end][end] += conductance
        matrix[start][end] -= conductance
        matrix[end][start] -= conductance
        right[start] -= base
        right[end] += base
        linear.append((path, base, conductance))
    for row in range(size):
        matrix[row][row] += _LEAST_CONDUCTANCE
    matrix[datum] = [0.0] * size
    matrix[datum][datum] = 1.0
    right[datum] = datum_kpa
    _eliminate(matrix, right, pressures)
    change = 0.0
    for path, base, conductance in linear:
        flow = base + (pressures[path.start] - pressures[path.end]) * conductance
        change = max(change, abs(flow - path.flow))
        path.flow = flow
    return change


def _eliminate(matrix: list[list[float]], right: list[float], answer: list[float]) -> None:
    """Gauss without pivoting: every row is diagonally dominant."""
    size = len(right)
    for pivot in range(size):
        row = matrix[pivot]
        for other in range(pivot + 1, size):
            below = matrix[other]
            if below[pivot]:
                factor = below[pivot] / row[pivot]
                for column in range(pivot, size):
                    below[column] -= factor * row[column]
                right[other] -= factor * right[pivot]
    for pivot in range(size - 1, -1, -1):
        row = matrix[pivot]
        total = right[pivot]
        for column in range(pivot + 1, size):
            total -= row[column] * answer[column]
        answer[pivot] = total / row[pivot]


def _switch_check_valves(paths: list[Path], pressures: list[float], may_open: bool) -> bool:
    switched = False
    for path in paths:
        if not path.one_way or path.shut:
            continue
        if not path.closed and path.flow < 0:
            path.checked = path.closed = switched = True
            path.flow = 0.0
        elif path.closed and may_open:
            drive = pressures[path.start] - pressures[path.end] + path.head_kpa
            if drive > 1e-3:
                path.checked = path.closed = False
                path.flow = (drive / path.k) ** 0.5
                switched = True
    return switched
