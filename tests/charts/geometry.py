"""What can be measured of a drawing: arrows that cross, words and cards that an arrow runs over.

Curves are sampled: eight points to each cubic piece, so that a crossing within a point of a bend may be missed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import hypot
from xml.etree import ElementTree

from shopkb.charts.lettering import set_width
from shopkb.charts.svg import full_size

SVG = "{http://www.w3.org/2000/svg}"
PIECES = 8
NEAR = 4.0
"""Points around a shared end within which two arrows meet and do not cross."""

Point = tuple[float, float]
Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""


@dataclass(frozen=True, slots=True)
class Geometry:
    """A drawing in points: its size, its arrows, the boxes of its nodes and of its words by the part they belong to.
    ``spine`` names the arrows of the busiest way."""

    width: float
    height: float
    arrows: dict[str, list[Point]]
    nodes: dict[str, Box]
    words: list[tuple[str, str, Box]]
    spine: tuple[str, ...] = ()

    @property
    def crossings(self) -> int:
        """Points at which two arrows cross."""
        return sum(_crossings(one, other) for one, other in combinations(self.arrows.values(), 2))

    @property
    def words_cut(self) -> list[tuple[str, str]]:
        """Arrows that run over words of another part, with the words."""
        return [
            (arrow, said)
            for arrow, points in self.arrows.items()
            for part, said, box in self.words
            if part != arrow and any(_enters(box, one, other) for one, other in pairwise(points))
        ]

    @property
    def nodes_cut(self) -> list[tuple[str, str]]:
        """Arrows that run over a node, with its id; within a few points of its edge they touch it."""
        return [
            (arrow, node)
            for arrow, points in self.arrows.items()
            for node, (left, top, right, bottom) in self.nodes.items()
            if right - left > 4 * NEAR and bottom - top > 4 * NEAR
            if any(
                _enters((left + NEAR, top + NEAR, right - NEAR, bottom - NEAR), one, other)
                for one, other in pairwise(points)
            )
        ]

    def letters_at_fit(self, across: float, down: float, size: float = 12.0) -> float:
        """CSS pixels of letters of this size in points where the whole drawing is in a window of so many pixels."""
        return size * min(4 / 3, across / self.width, down / self.height)


def geometry(svg: bytes) -> Geometry:
    """Read the drawing of our own renderer."""
    arrows, nodes, words, spine = {}, {}, [], []
    for group in ElementTree.fromstring(svg[svg.find(b"<svg") :]).iter(f"{SVG}g"):
        kinds, name = group.get("class", "").split(), group.get("id", "")
        if "edge" in kinds:
            spine += [name] if "spine" in kinds else []
            arrows[name] = [point for path in group.iter(f"{SVG}path") for point in _sampled(path.get("d", ""))]
        elif "node" in kinds:
            nodes[name] = _around([point for each in group.iter() for point in _points(each)])
        if {"edge", "node"} & set(kinds):
            words += [(name, text.text or "", _box_of(text)) for text in group.iter(f"{SVG}text")]
    return Geometry(*full_size(svg), arrows, nodes, words, tuple(spine))


def _points(element: ElementTree.Element) -> list[Point]:
    numbers = re.findall(r"-?[\d.]+", element.get("points", "") or (element.get("d", "")))
    return list(zip(map(float, numbers[::2]), map(float, numbers[1::2]), strict=False))


def _around(points: Sequence[Point]) -> Box:
    across, down = zip(*points, strict=True)
    return min(across), min(down), max(across), max(down)


def _sampled(path: str) -> Iterator[Point]:
    numbers = [float(number) for number in re.findall(r"-?[\d.]+", path)]
    points = list(zip(numbers[::2], numbers[1::2], strict=True))
    yield points[0]
    for at in range(1, len(points) - 2, 3):
        corners = points[at - 1 : at + 3]
        for piece in range(1, PIECES + 1):
            t = piece / PIECES
            weights = ((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3)
            yield tuple(sum(w * corner[side] for w, corner in zip(weights, corners, strict=True)) for side in (0, 1))  # type: ignore[misc]


def _box_of(text: ElementTree.Element) -> Box:
    """Where a line of text stands, by the widths of its typeface; a point inside, so that touching is not cutting."""
    size = float(text.get("font-size", "12"))
    wide = set_width((text.text or "").strip(), size, bold=text.get("font-weight") == "bold")
    left, base = float(text.get("x", "0")), float(text.get("y", "0"))
    left -= {"middle": wide / 2, "end": wide}.get(text.get("text-anchor", "start"), 0)
    return left + 1, base - 0.7 * size, left + wide - 1, base


def _crossings(one: Sequence[Point], other: Sequence[Point]) -> int:
    a, b = _around(one), _around(other)
    if a[0] > b[2] or b[0] > a[2] or a[1] > b[3] or b[1] > a[3]:
        return 0
    ends = (one[0], one[-1], other[0], other[-1])
    met = (_meeting(p, q, r, s) for p, q in pairwise(one) for r, s in pairwise(other))
    return sum(at is not None and all(hypot(at[0] - x, at[1] - y) > NEAR for x, y in ends) for at in met)


def _meeting(p: Point, q: Point, r: Point, s: Point) -> Point | None:
    """Where the stretches p to q and r to s cross, their last points left out."""
    across = (q[0] - p[0]) * (s[1] - r[1]) - (q[1] - p[1]) * (s[0] - r[0])
    if abs(across) < 1e-9:
        return None
    t = ((r[0] - p[0]) * (s[1] - r[1]) - (r[1] - p[1]) * (s[0] - r[0])) / across
    u = ((r[0] - p[0]) * (q[1] - p[1]) - (r[1] - p[1]) * (q[0] - p[0])) / across
    return (p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])) if 0 <= t < 1 and 0 <= u < 1 else None


def _enters(box: Box, one: Point, other: Point) -> bool:
    """Whether a stretch runs through a box (Liang and Barsky, 1984)."""
    enter, leave = 0.0, 1.0
    for side in (0, 1):
        along = other[side] - one[side]
        low, high = box[side] - one[side], box[side + 2] - one[side]
        if abs(along) < 1e-9:
            if low > 0 or high < 0:
                return False
            continue
        first, last = sorted((low / along, high / along))
        enter, leave = max(enter, first), min(leave, last)
    return enter < leave
