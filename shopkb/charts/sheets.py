"""A chart cut into sheets of paper: where few arrows are cut, each with a connector that names step and sheet.

Steps stay in an order in which each stands after those that lead to it, and a sheet holds some that follow each other.
Of all ways to cut that order so that every sheet fits, the one with the fewest sheets is taken, and of those the one
that cuts the fewest arrows (dynamic programming over the order, R. Bellman, 1957).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise

from shopkb.charts.dot_text import Chart, Edge, Node, escaped, label
from shopkb.charts.inks import CARD_INK, GROUND
from shopkb.charts.view import FONTS
from shopkb.core.flow.model import Flow
from shopkb.core.flow.paths import order

Size = tuple[float, float]
"""Points across and down."""

CONNECTOR_ROOM = 62.0  # points above and below for connectors, in which arrows come and go
TITLE_ROOM = 30.0
SHEET_COST, MOST_STEPS = 1000, 24


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: the places of its first and last step in the order, the keys of its steps, and its drawing."""

    place: tuple[int, int]
    steps: tuple[str, ...]
    chart: Chart


@dataclass
class Cutting:
    """What a chart is cut by: sizes of its nodes by name as drawn, and the gaps between nodes and between ranks.

    ``known`` holds what sheets that were drawn really took, by the places of their first and last step; ``caution`` is
    what an estimate of any other is multiplied by.
    """

    flow: Flow
    chart: Chart
    sizes: Mapping[str, Size]
    gaps: Size
    known: dict[tuple[int, int], Size] = field(default_factory=dict)
    caution: float = 1.0

    @cached_property
    def order(self) -> tuple[str, ...]:
        return order(self.flow)

    @cached_property
    def step_of(self) -> dict[str, str]:
        """The step beside which each node stands, by the node's name: itself, or the one that leads to an end."""
        steps = {f"step-{key}": key for key in self.flow.step_by_key}
        beside = {
            edge.head: steps[edge.tail] for edge in self.chart.edges if edge.head not in steps and edge.tail in steps
        }
        first = self.order[0] if self.order else ""
        return {**{node.name: first for node in self.chart.nodes}, **beside, **steps}

    @cached_property
    def arrows(self) -> list[tuple[int, int]]:
        """From which place in the order to which each arrow between two steps leads."""
        place = {key: at for at, key in enumerate(self.order)}
        return [
            (place[self.step_of[edge.tail]], place[self.step_of[edge.head]])
            for edge in self.chart.edges
            if edge.head in self.step_of and edge.tail in self.step_of and self.order
        ]

    def names(self, first: int, last: int) -> list[str]:
        """Nodes of the steps at these places, both included."""
        chosen = set(self.order[first : last + 1])
        return [node.name for node in self.chart.nodes if self.step_of[node.name] in chosen]

    def stacked(self, first: int, last: int, room: Size) -> list[list[ChartPart]]:
        """The connected parts of a sheet in rows from the top down, as many side by side as there is room for."""
        rows: list[list[ChartPart]] = []
        for part in parts_of(self, self.names(first, last)):
            if rows and sum(one.size[0] + self.gaps[0] for one in (*rows[-1], part)) <= room[0]:
                rows[-1].append(part)
            else:
                rows.append([part])
        return rows

    def size_of(self, first: int, last: int, room: Size) -> Size:
        """Points that the steps at these places take, as drawn before or else estimated."""
        if (first, last) in self.known:
            return self.known[first, last]
        rows = self.stacked(first, last, room)
        wide = max(sum(part.size[0] + self.gaps[0] for part in row) - self.gaps[0] for row in rows)
        high = sum(max(part.size[1] for part in row) for row in rows) + CONNECTOR_ROOM + TITLE_ROOM
        return wide * self.caution, high * self.caution


@dataclass(frozen=True, slots=True)
class ChartPart:
    """Nodes that hang together: the first and the last from the top down, and the points they take."""

    top: str
    bottom: str
    size: Size


def parts_of(cutting: Cutting, names: Sequence[str]) -> list[ChartPart]:
    """The connected parts of some nodes, in the order of the chart."""
    inside = [(edge.tail, edge.head) for edge in cutting.chart.edges if {edge.tail, edge.head} <= set(names)]
    group = {name: name for name in names}
    for tail, head in inside:
        old, new = group[head], group[tail]
        group = {name: new if held == old else held for name, held in group.items()}
    rank = dict.fromkeys(names, 0)
    for _ in names:
        moved = {head: rank[tail] + 1 for tail, head in inside if rank[head] <= rank[tail] and tail != head}
        if not moved or max(moved.values()) > len(names):
            break
        rank.update(moved)
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(group[name], []).append(name)
    return [_part(cutting, members, rank) for members in found.values()]


def _part(cutting: Cutting, members: Sequence[str], rank: Mapping[str, int]) -> ChartPart:
    across: dict[int, float] = {}
    down: dict[int, float] = {}
    for name in members:
        wide, high = cutting.sizes[name]
        at = rank[name]
        across[at] = across.get(at, -cutting.gaps[0]) + wide + cutting.gaps[0]
        down[at] = max(down.get(at, 0.0), high + cutting.gaps[1])
    top, bottom = min(members, key=lambda name: rank[name]), max(members, key=lambda name: rank[name])
    return ChartPart(top, bottom, (max(across.values()), sum(down.values())))


def cut(cutting: Cutting, room: Size) -> list[tuple[int, int]]:
    """Places of the first and last step of each sheet. A step too large for a sheet has one of its own.

    O(steps x steps of a sheet).
    """
    count = len(cutting.order)
    best: list[tuple[float, int]] = [(0.0, 0)] + [(float("inf"), 0)] * count
    for last in range(count):
        for first in range(last, max(last - MOST_STEPS, -1), -1):
            wide, high = cutting.size_of(first, last, room)
            if first < last and (wide > room[0] or high > room[1]):
                continue
            leaving = len({(tail, head) for tail, head in cutting.arrows if first <= tail <= last < head})
            cost = best[first][0] + SHEET_COST + leaving
            if cost < best[last + 1][0]:
                best[last + 1] = (cost, first)
    cuts, end = [], count
    while end:
        cuts.append((best[end][1], end - 1))
        end = best[end][1]
    return cuts[::-1]


def sheets(cutting: Cutting, room: Size, title: str) -> list[Sheet]:
    """The sheets in order, each titled and numbered."""
    cuts = cut(cutting, room)
    number = {key: at for at, (first, last) in enumerate(cuts, 1) for key in cutting.order[first : last + 1]}
    return [
        Sheet(place, cutting.order[place[0] : place[1] + 1], _drawn(cutting, place, number, title, len(cuts), room))
        for place in cuts
    ]


def _drawn(
    cutting: Cutting, place: tuple[int, int], number: Mapping[str, int], title: str, count: int, room: Size
) -> Chart:
    keys = cutting.order[place[0] : place[1] + 1]
    chart, chosen = cutting.chart, set(keys)
    nodes = [node for node in chart.nodes if cutting.step_of[node.name] in chosen]
    edges: list[Edge] = []
    for edge in chart.edges:
        tail, head = cutting.step_of.get(edge.tail, ""), cutting.step_of.get(edge.head, "")
        if tail in chosen and head in chosen:
            edges.append(edge)
        elif tail in chosen:
            edges.append(replace(edge, head=f"to-{head}"))
        elif head in chosen:
            edges.append(replace(edge, tail=f"from-{head}", attributes=_without_port(edge)))
    steps = [cutting.flow.number_by_step[key] for key in keys]
    heading = f"{title}: sheet {number[keys[0]]} of {count}, {steps_text(steps)}"
    graph = {
        **chart.settings[0],
        "label": escaped(heading),
        "labelloc": "t",
        "labeljust": "l",
        "fontname": FONTS,
        "fontsize": "13",
    }
    connectors = _connectors(cutting, edges, number)
    rows = cutting.stacked(*place, room)
    under = [
        Edge(f"under-{upper.bottom}-{lower.top}", upper.bottom, lower.top, {"style": "invis"})
        for above, below in pairwise(rows)
        for upper, lower in zip(above, below, strict=False)
    ]
    return Chart(chart.name, (*nodes, *connectors), (*_once(edges), *under), (graph, *chart.settings[1:]))


def _without_port(edge: Edge) -> dict[str, str]:
    return {key: value for key, value in edge.attributes.items() if key not in ("tailport", "label", "weight")}


def _once(edges: Sequence[Edge]) -> list[Edge]:
    """One arrow from each connector to a step, however many come that way."""
    found: dict[object, Edge] = {}
    for edge in edges:
        entering = edge.tail.startswith("from-")
        key = (edge.tail, edge.head) if entering else edge.name
        found.setdefault(key, replace(edge, lines=()) if entering else edge)
    return list(found.values())


def _connectors(cutting: Cutting, edges: Sequence[Edge], number: Mapping[str, int]) -> list[Node]:
    """Off-page connectors: to a step on another sheet, and from the steps of other sheets."""
    flow = cutting.flow
    made: dict[str, tuple[str, ...]] = {}
    for edge in edges:
        if edge.head.startswith("to-"):
            key = edge.head.removeprefix("to-")
            made[edge.head] = (f"to {flow.number_by_step[key]}", f"sheet {number[key]}")
        if edge.tail.startswith("from-"):
            key = edge.tail.removeprefix("from-")
            into = [one for one in cutting.chart.edges if cutting.step_of.get(one.head) == key]
            others = {cutting.step_of[one.tail] for one in into if one.tail in cutting.step_of} - {key}
            apart = sorted((flow.number_by_step[one], number[one]) for one in others if number[one] != number[key])
            made[edge.tail] = tuple(f"from {step}, sheet {sheet}" for step, sheet in apart)
    look = {
        "shape": "invhouse", "style": "filled", "fillcolor": GROUND, "color": CARD_INK, "fontcolor": CARD_INK,
        "fontsize": "11", "margin": "0.08,0.03", "height": "0.3", "fontname": FONTS, "class": "connector",
    }  # fmt: skip
    return [Node(name, {"label": label(lines), **look}, lines) for name, lines in made.items()]


def steps_text(numbers: Sequence[int]) -> str:
    """Numbers of steps in order, those that follow each other as one: ``step 5``, ``steps 3 to 7, 9``."""
    parts: list[list[int]] = []
    for number in sorted(numbers):
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    run = ", ".join(str(part[0]) if len(part) == 1 else f"{part[0]} to {part[-1]}" for part in parts)
    return f"{'steps' if len(numbers) > 1 else 'step'} {run}"
