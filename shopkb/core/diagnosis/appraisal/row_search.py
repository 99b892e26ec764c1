"""The cheapest orders of the blocks of every row of a flow, exact where it is given the room, bounded where not.

How much of each cause comes through a set of blocks does not depend on the order they were gone through in, nor does
the set of set-up states reached; so the best way to go on depends on the set alone (dynamic programming over subsets:
M. Held and R. Karp 1962, A dynamic programming approach to sequencing problems). A row inside a block is arranged anew
for what arrives there. Every order is told by two figures, its expected minutes and its chance of a right end; those
that another beats in both are dropped. Where more than ``width`` sets stand side by side the least promising are let
go; after ``most`` blocks weighed only one goes on, and rows inside keep their order. What those let go could have come
to at best is remembered as the floor.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product
from math import inf
from typing import Final, NamedTuple

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Flow, GoKind
from shopkb.core.flow.paths import Edge, order
from shopkb.core.flow.rows import Block, Gate, Orders, Row, rows_from

Mass = dict[frozenset[str], Array]
"""Chance of each cause at some place, by the set-up states reached before (those that cost minutes)."""

NEARLY: Final = 1e-9

Before = Callable[[Block, Block], bool]
"""Whether the first block must stay before the second, which the writer put behind it."""


class Standing(NamedTuple):
    """One arrangement: expected minutes and chance of a right end that it adds, and the rows that it changes."""

    minutes: float
    right: float
    orders: tuple[tuple[Row, tuple[int, ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class Arranged:
    """The arrangements that no other beats in both figures, the quickest first. ``floor``: minutes that no arrangement
    falls below; ``cut`` when some were let go, so that there may be others between."""

    front: tuple[Standing, ...]
    floor: float
    cut: bool = False

    def least(self, right: float) -> Standing | None:
        """The quickest with at least this chance of a right end."""
        return next((one for one in self.front if one.right >= right - NEARLY), None)


@dataclass(frozen=True, slots=True)
class _Pushed:
    """What comes of a mass sent through some steps: minutes and right ends by step, the mass arriving at each, and the
    mass that leaves by the exits."""

    cost: Mapping[str, tuple[float, float]]
    arriving: Mapping[str, Mass]
    leaving: Mass


@dataclass(eq=False)
class Arranger:
    """Arranges one flow under one model. ``weighed`` counts how often a block was weighed at a place."""

    flow: Flow
    model: CauseModel
    before: Before
    width: int
    most: int
    weighed: int = field(default=0, init=False)

    def whole(self) -> Arranged:
        """The arrangements of the whole flow. It must have a first step and no loop."""
        return self._row(Gate(self.flow.start), {frozenset(): self.model.prior})

    @property
    def is_free(self) -> bool:
        """Whether there is any other order."""
        return self._free(Gate(self.flow.start))

    @cached_property
    def _place(self) -> dict[str, int]:
        return {key: place for place, key in enumerate(order(self.flow))}

    @cached_property
    def _forced(self) -> dict[Row, tuple[int, ...]]:
        return {}

    def forced(self, row: Row) -> tuple[int, ...]:
        """For each block the blocks that must come before it, as bits."""
        if row not in self._forced:
            self._forced[row] = forced(row, self.before)
        return self._forced[row]

    @cached_property
    def _freedom(self) -> dict[Gate, bool]:
        return {}

    def _free(self, gate: Gate) -> bool:
        """Whether anything that begins here has another order."""
        if gate not in self._freedom:
            readings = rows_from(self.flow, gate)
            self._freedom[gate] = any(self._moves(row) for row in readings) or any(
                self._free(inner) for row in readings for block in row.blocks for inner in block.rows
            )
        return self._freedom[gate]

    def _moves(self, row: Row) -> bool:
        return any(forced != (1 << place) - 1 for place, forced in enumerate(self.forced(row)))

    # Sending a mass through ------------------------------------------------------------------------------------

    def _push(self, entry: str, steps: Iterable[str], exits: frozenset[Edge], mass: Mass) -> _Pushed:
        """In the writer's order; what leaves by the exits is the same in every order."""
        arriving: dict[str, Mass] = {entry: mass}
        cost: dict[str, tuple[float, float]] = {}
        leaving: Mass = {}
        for key in sorted(steps, key=self._place.__getitem__):
            minutes = right = 0.0
            for states, there in arriving.get(key, {}).items():
                test = self.model.tests[self.model.test_of[self.flow.procedure, key]]
                set_up = self.model.access_minutes.get(test.access, 0.0)
                after = states | {test.access} if set_up > 0 else states
                minutes += float(there.sum()) * (test.minutes + (set_up if after != states else 0.0))
                for outcome in self.flow.step_by_key[key].outcomes:
                    part = there * self.model.table[self.model.row_of[self.flow.procedure, key, outcome.key]]
                    if (key, outcome.key) in exits:
                        _add(leaving, after, part)
                    elif outcome.go.kind is GoKind.STEP:
                        _add(arriving.setdefault(outcome.go.key, {}), after, part)
                    elif outcome.go.kind is GoKind.CAUSE and outcome.go.key in self.flow.cause_by_key:
                        named = self.flow.cause_by_key[outcome.go.key].identity
                        right += float(part[self.model.column_of[named]])
            cost[key] = minutes, right
        return _Pushed(cost, arriving, leaving)

    # Arranging --------------------------------------------------------------------------------------------------

    def _block(self, block: Block, mass: Mass) -> tuple[Arranged, Mass]:
        """The arrangements of what is inside a block, and what leaves it."""
        self.weighed += 1
        pushed = self._push(block.head, block.steps, block.exits, mass)
        free = [gate for gate in block.rows if self._free(gate)]
        held = frozenset().union(*(rows_from(self.flow, gate)[0].steps for gate in free))
        minutes = sum(cost[0] for key, cost in pushed.cost.items() if key not in held)
        right = sum(cost[1] for key, cost in pushed.cost.items() if key not in held)
        found = Arranged((Standing(minutes, right),), minutes)
        for gate in free:
            found = _both(found, self._row(gate, pushed.arriving.get(gate.step, {})), self.width)
        return found, pushed.leaving

    def _row(self, gate: Gate, mass: Mass) -> Arranged:
        readings = rows_from(self.flow, gate)
        if self.weighed >= self.most:
            return self._as_written(readings[0], mass)
        moving = [row for row in readings if self._moves(row)] or [readings[0]]
        found = [self._arranged(row, mass) for row in moving]
        front, cut = _front((one for each in found for one in each.front), self.width)
        return Arranged(front, min(each.floor for each in found), cut or any(each.cut for each in found))

    def _as_written(self, row: Row, mass: Mass) -> Arranged:
        """The writer's order alone, without a search. Whatever block comes first, every run does its first step."""
        cost = self._push(row.entry, row.steps, frozenset(), mass).cost.values()
        one = Standing(sum(minutes for minutes, _ in cost), sum(right for _, right in cost))
        tests = [self.model.tests[self.model.test_of[self.flow.procedure, block.head]] for block in row.blocks]
        coming = sum(float(there.sum()) for there in mass.values())
        return Arranged((one,), coming * min(test.minutes for test in tests), cut=True)

    def _arranged(self, row: Row, mass: Mass) -> Arranged:
        return _Layers(self, row, mass).arranged()


class _Layers:
    """The sets of blocks already gone through, layer by layer."""

    def __init__(self, arranger: Arranger, row: Row, mass: Mass) -> None:
        self.arranger, self.row = arranger, row
        self.forced = arranger.forced(row)
        self.full = (1 << len(row.blocks)) - 1
        self.mass: dict[int, Mass] = {0: mass}
        self.floor: dict[int, float] = {0: 0.0}
        self.front: dict[int, list[tuple[Standing, tuple[int, ...]]]] = {0: [(Standing(0.0, 0.0), ())]}
        self.let_go = inf
        self.cut = False

    def arranged(self) -> Arranged:
        layer = [0]
        for _ in self.row.blocks:
            further: dict[int, None] = {}
            for gone in self._kept(layer):
                for place in self._next(gone):
                    self._go_on(gone, place)
                    further[gone | 1 << place] = None
            layer = list(further)
        found = [_told(self.row, one, places) for one, places in self.front[self.full]]
        front, cut = _front(found, self.arranger.width)
        return Arranged(front, min(self.floor[self.full], self.let_go), cut or self.cut)

    def _next(self, gone: int) -> Iterator[int]:
        for place, forced in enumerate(self.forced):
            if not gone & 1 << place and forced & gone == forced:
                yield place

    def _go_on(self, gone: int, place: int) -> None:
        inside, leaving = self.arranger._block(self.row.blocks[place], self.mass[gone])
        there = gone | 1 << place
        self.mass.setdefault(there, leaving)
        self.floor[there] = min(self.floor.get(there, inf), self.floor[gone] + inside.floor)
        self.cut = self.cut or inside.cut
        reached = self.front.setdefault(there, [])
        for (one, places), inner in product(self.front[gone], inside.front):
            reached.append((_sum(one, inner), (*places, place)))

    def _kept(self, layer: list[int]) -> list[int]:
        """The most promising sets of a layer, each with its front only; what the others could come to is noted."""
        for gone in layer:
            self.front[gone], cut = _front_of(self.front[gone], self.arranger.width)
            self.cut = self.cut or cut
        width = self.arranger.width if self.arranger.weighed < self.arranger.most else 1
        if len(layer) <= width:
            return layer
        at_best = {gone: self.floor[gone] + sum(self._least[place] for place in self._missing(gone)) for gone in layer}
        ranked = sorted(layer, key=lambda gone: (at_best[gone], gone))
        self.let_go = min(self.let_go, at_best[ranked[width]])
        self.cut = True
        return ranked[:width]

    def _missing(self, gone: int) -> Iterator[int]:
        return (place for place in range(len(self.row.blocks)) if not gone & 1 << place)

    @cached_property
    def _least(self) -> list[float]:
        """Least minutes of each block: those it takes behind all blocks that may come before it."""
        return [self._last_of_all(place) for place in range(len(self.row.blocks))]

    def _last_of_all(self, place: int) -> float:
        behind = 1 << place
        for other in range(place + 1, len(self.row.blocks)):
            if self.forced[other] & behind:
                behind |= 1 << other
        mass = self.mass[0]
        for other, block in enumerate(self.row.blocks):
            if not behind & 1 << other:
                mass = self.arranger._push(block.head, block.steps, block.exits, mass).leaving
        return self.arranger._block(self.row.blocks[place], mass)[0].floor


def forced(row: Row, before: Before) -> tuple[int, ...]:
    """For each block the blocks that must come before it, as bits, also those that only others between ask for."""
    found: list[int] = []
    for place, block in enumerate(row.blocks):
        stays = place == len(row.blocks) - 1 and not block.exits
        bits = 0
        for first in range(place):
            if stays or before(row.blocks[first], block):
                bits |= 1 << first | found[first]
        found.append(bits)
    return tuple(found)


def passes(row: Row, before: Before) -> Iterator[tuple[int, int]]:
    """The places of every two blocks of which the later may come to stand before the earlier: (later, earlier)."""
    for later, bits in enumerate(forced(row, before)):
        yield from ((later, earlier) for earlier in range(later) if not bits & 1 << earlier)


def _add(masses: Mass, states: frozenset[str], part: Array) -> None:
    masses[states] = masses[states] + part if states in masses else part


def _sum(one: Standing, other: Standing) -> Standing:
    return Standing(one.minutes + other.minutes, one.right + other.right, one.orders + other.orders)


def _told(row: Row, one: Standing, places: tuple[int, ...]) -> Standing:
    moved = any(place != number for number, place in enumerate(places))
    return one._replace(orders=(*one.orders, (row, places))) if moved else one


def _both(one: Arranged, other: Arranged, width: int) -> Arranged:
    front, cut = _front((_sum(a, b) for a, b in product(one.front, other.front)), width)
    return Arranged(front, one.floor + other.floor, one.cut or other.cut or cut)


def _front(found: Iterable[Standing], width: int) -> tuple[tuple[Standing, ...], bool]:
    kept, cut = _front_of([(one, ()) for one in found], width)
    return tuple(one for one, _ in kept), cut


def _front_of(
    found: Iterable[tuple[Standing, tuple[int, ...]]], width: int
) -> tuple[list[tuple[Standing, tuple[int, ...]]], bool]:
    """Those that no other beats in both figures, quickest first, ``width`` at most, spread over all of them."""
    kept: list[tuple[Standing, tuple[int, ...]]] = []
    for one in sorted(found, key=lambda each: (each[0].minutes, -each[0].right, each[1])):
        if not kept or one[0].right > kept[-1][0].right + NEARLY:
            kept.append(one)
    if len(kept) <= width:
        return kept, False
    picked = np.unique(np.linspace(0, len(kept) - 1, width).round().astype(int))
    return [kept[place] for place in picked.tolist()], True


def orders_of(one: Standing) -> Orders:
    """The rows that an arrangement changes, by their entry."""
    return {row.entry: (row, places) for row, places in one.orders}
