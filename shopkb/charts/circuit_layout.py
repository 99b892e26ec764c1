"""Where the parts of a circuit stand in its drawing: supply on top, earth at the foot, branches side by side.

Series-parallel reduction (R. J. Duffin, Topology of series-parallel networks, Journal of Mathematical Analysis and
Applications 10, 1965): two parts in a row become one, two between the same points become one, until one is left. A
circuit that is none is not drawn.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from shopkb.core.circuit.parts import MINUS, PLUS
from shopkb.core.flow.circuit_spec import PartSpec


@dataclass(frozen=True, slots=True)
class Leaf:
    """One part, drawn downwards from ``first`` to ``second``."""

    part: PartSpec
    first: str
    second: str


@dataclass(frozen=True, slots=True)
class Group:
    """Parts in a row (``series``) or side by side."""

    series: bool
    first: str
    second: str
    children: tuple[Tree, ...]


Tree = Leaf | Group


def arranged(parts: Iterable[PartSpec]) -> Tree | None:
    """The whole circuit as one tree from battery positive to negative; None for one that is not series-parallel.

    Parts that lead nowhere, such as a wire with an open end, are left out.
    """
    edges: list[Tree] = [Leaf(part, part.first, part.second) for part in parts]
    while len(edges) > 1:
        merged = _parallel(edges) or _series(edges) or _without_ends(edges)
        if merged is None:
            return None
        edges = merged
    return _turned(edges[0], PLUS) if edges and {edges[0].first, edges[0].second} == {PLUS, MINUS} else None


def size(tree: Tree) -> tuple[int, int]:
    """Columns and rows it takes."""
    if isinstance(tree, Leaf):
        return 1, 1
    sizes = [size(child) for child in tree.children]
    widths, heights = [width for width, _ in sizes], [height for _, height in sizes]
    return (max(widths), sum(heights)) if tree.series else (sum(widths), max(heights))


def _parallel(edges: list[Tree]) -> list[Tree] | None:
    for place, one in enumerate(edges):
        for other in edges[place + 1 :]:
            if {one.first, one.second} == {other.first, other.second}:
                joined = Group(
                    False, one.first, one.second, (*_inside(one, False), *_inside(_turned(other, one.first), False))
                )
                return [joined if each is one else each for each in edges if each is not other]
    return None


def _series(edges: list[Tree]) -> list[Tree] | None:
    for point in {end for edge in edges for end in (edge.first, edge.second)} - {PLUS, MINUS}:
        touching = [edge for edge in edges if point in (edge.first, edge.second)]
        if len(touching) != 2:
            continue
        upper, lower = touching
        above = _turned(upper, upper.second if upper.first == point else upper.first)
        below = _turned(lower, point)
        joined = Group(True, above.first, below.second, (*_inside(above, True), *_inside(below, True)))
        return [joined if each is upper else each for each in edges if each is not lower]
    return None


def _without_ends(edges: list[Tree]) -> list[Tree] | None:
    """Without one that leads nowhere."""
    for edge in edges:
        for end in {edge.first, edge.second} - {PLUS, MINUS}:
            if sum(end in (each.first, each.second) for each in edges) == 1:
                return [each for each in edges if each is not edge]
    return None


def _inside(tree: Tree, series: bool) -> tuple[Tree, ...]:
    return tree.children if isinstance(tree, Group) and tree.series is series else (tree,)


def _turned(tree: Tree, first: str) -> Tree:
    """The same from this end on."""
    if tree.first == first:
        return tree
    if isinstance(tree, Leaf):
        return Leaf(tree.part, tree.second, tree.first)
    children = [_turned(child, child.second) for child in tree.children]
    return Group(tree.series, tree.second, tree.first, tuple(reversed(children) if tree.series else children))
