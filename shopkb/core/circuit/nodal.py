"""Direct-current nodal analysis: conductances between points, solved for many samples and faults at once.

C.-W. Ho, A. E. Ruehli and P. A. Brennan, The modified nodal approach to network analysis, IEEE Transactions on Circuits
and Systems 22 (1975). Supplies have an internal resistance and stand as currents beside it (Norton), so that the system
is one of conductances. Every point leaks a little to battery negative, so that a point joined to nothing has a voltage
and the system one solution.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shopkb.core.circuit.parts import MINUS, Array

LEAST_OHMS: Final = 1e-5
LEAK: Final = 1e-12
"""Siemens from every point to battery negative: a million times less than a voltmeter takes."""

Ends = NDArray[np.intp]


def incidence(points: dict[str, int], branches: list[tuple[str, str]]) -> Array:
    """Branches x points: 1 where a branch begins, -1 where it ends; battery negative, the reference and last of the
    points, is left out."""
    table = np.zeros((len(branches), len(points) - (MINUS in points)))
    for row, (first, second) in enumerate(branches):
        for point, sign in ((first, 1.0), (second, -1.0)):
            if point != MINUS:
                table[row, points[point]] += sign
    return table


def conductance_matrix(ends: Array, conductances: Array, leak: float = LEAK) -> Array:
    """... x points x points, from ... x branches in siemens."""
    branches, size = ends.shape
    flat = conductances.reshape(math.prod(conductances.shape[:-1]), branches)
    matrix = np.zeros((len(flat), size * size))
    for branch, row in enumerate(ends):  # four entries each: far fewer than a product over all of them
        touched = np.flatnonzero(row)
        for first in touched:
            for second in touched:
                matrix[:, first * size + second] += row[first] * row[second] * flat[:, branch]
    matrix[:, :: size + 1] += leak
    return np.asarray(matrix.reshape(*conductances.shape[:-1], size, size))


def solved(matrix: Array, currents: Array) -> Array:
    """Volts of the points (... x points x columns) for currents driven into them.

    The matrix is positive definite; should rounding make one singular, the least-squares solution stands for it.
    """
    try:
        return np.asarray(np.linalg.solve(matrix, currents), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(matrix, hermitian=True) @ currents, dtype=np.float64)
