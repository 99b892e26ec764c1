"""Rows: sub-flows in sequence, each with one step of entry and one place where it leads.

A flow is decomposed as structured programs are (R. Johnson, D. Pearson and K. Pingali, The program structure tree,
1994): a block is a step and all that no way meets but through it, up to the place where its ways come together again;
ways that end inside it do not count. Blocks that follow each other are a row, and a block may hold rows. Everybody who
comes to a row goes through its blocks one after the other until one of them ends the job: in whatever order they
stand, each is done on the same ways.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

from shopkb.core.flow.memoize import memoized
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome
from shopkb.core.flow.paths import Edge, order, reachable


class Gate(NamedTuple):
    """Where a row is entered, and the steps that follow the blocks around it, which are no part of it."""

    step: str
    beyond: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Block:
    """``head`` and the steps behind it that nothing else leads to; ``exits`` are the branches that leave it for what
    follows. ``rows`` are the rows inside it, each standing after those that lead to it."""

    head: str
    steps: frozenset[str]
    exits: frozenset[Edge]
    rows: tuple[Gate, ...] = ()


@dataclass(frozen=True, slots=True)
class Row:
    """Blocks in the writer's order. The exits of the last lead to one step, or are one branch to an end that names no
    cause; it has none where neither is so, and then nothing can come behind it."""

    blocks: tuple[Block, ...]

    @property
    def entry(self) -> str:
        """The step at which the row is entered."""
        return self.blocks[0].head

    @property
    def steps(self) -> frozenset[str]:
        """All steps of its blocks."""
        return frozenset().union(*(block.steps for block in self.blocks))


def rows_from(flow: Flow, gate: Gate) -> tuple[Row, ...]:
    """The ways to read what begins at a step as a row: several, where the last block ends in several ways, and for the
    whole flow also where a step has more than one sub-flow to itself and either may be what follows it. Inside a block
    the largest sub-flow follows.

    They all hold the same steps. ``flow`` has a first step and no loops. O(steps cubed), kept with the flow.
    """
    return memoized(flow, "_rows", _Rows).of(gate)


def all_rows(flow: Flow) -> tuple[Row, ...]:
    """Every reading of every row, rows inside rows too. ``flow`` has a first step and no loops."""
    found: dict[Gate, tuple[Row, ...]] = {}
    ahead = [Gate(flow.start)]
    while ahead:
        gate = ahead.pop()
        if gate not in found:
            found[gate] = rows_from(flow, gate)
            ahead += [inner for row in found[gate] for block in row.blocks for inner in block.rows]
    return tuple(row for rows in found.values() for row in rows)


def proven_in(flow: Flow, block: Block) -> frozenset[str]:
    """Identities of the causes that a block can end in."""
    ends = (one.go for key in block.steps for one in flow.step_by_key[key].outcomes if one.go.kind is GoKind.CAUSE)
    return frozenset(flow.cause_by_key[go.key].identity for go in ends if go.key in flow.cause_by_key)


class _Rows:
    """All blocks and rows of one flow, each computed when it is first asked for."""

    def __init__(self, flow: Flow) -> None:
        self.flow = flow
        met = reachable(flow)
        self.order = [key for key in order(flow) if key in met]
        self.onward: dict[str, list[tuple[Edge, str]]] = {
            step.key: [
                ((step.key, one.key), one.go.key)
                for one in step.outcomes
                if one.go.kind is GoKind.STEP and one.go.key in flow.step_by_key
            ]
            for step in flow.steps
            if step.key in met
        }
        self.known: dict[Gate, tuple[Row, ...]] = {}

    @cached_property
    def before(self) -> dict[str, set[str]]:
        """The steps that lead to each step."""
        found: dict[str, set[str]] = {key: set() for key in self.order}
        for key, onward in self.onward.items():
            for _, there in onward:
                found[there].add(key)
        return found

    def of(self, gate: Gate) -> tuple[Row, ...]:
        if gate not in self.known:
            self.known[gate] = tuple(self._rows(gate))
        return self.known[gate]

    def _region(self, head: str, beyond: frozenset[str]) -> frozenset[str]:
        """What can be met from ``head`` without passing what is beyond."""
        found: set[str] = set()
        ahead = [head]
        while ahead:
            key = ahead.pop()
            if key not in beyond and key not in found:
                found.add(key)
                ahead += [there for _, there in self.onward[key]]
        return frozenset(found)

    def _closed(self, head: str, steps: frozenset[str], follows: str) -> bool:
        """Whether the steps are entered at ``head`` alone and lead to nothing but what follows."""
        entered = all(self.before[key] <= steps for key in steps if key != head)
        return entered and all(there == follows or there in steps for key in steps for _, there in self.onward[key])

    def _followers(self, gate: Gate) -> dict[str, frozenset[str]]:
        """What may follow a block that begins at the gate, the nearest only, each with the block's steps."""
        inside = self._region(gate.step, gate.beyond)
        ahead = {there for key in inside for _, there in self.onward[key]}
        regions = {there: self._region(gate.step, gate.beyond | {there}) for there in ahead}
        fit = {there: steps for there, steps in regions.items() if self._closed(gate.step, steps, there)}
        return {
            there: steps
            for there, steps in fit.items()
            if not any(other in steps and there not in fit[other] for other in fit if other != there)
        }

    def _rows(self, gate: Gate) -> Iterator[Row]:
        ahead: list[tuple[tuple[Block, ...], Gate]] = [((), gate)]
        while ahead:
            gone, here = ahead.pop(0)
            found = self._followers(here)
            own = [there for there in found if there not in here.beyond and self.before[there] <= found[there]]
            for there in self._chosen(own, found, gate.step == self.flow.start):
                block = self._leading_to(here, found[there], there)
                ahead.append(((*gone, block), here._replace(step=there)))
            if not own and found:  # one, to which others lead too
                ((there, steps),) = found.items()
                yield Row((*gone, self._leading_to(here, steps, there)))
            if not found:
                yield from (Row((*gone, block)) for block in self._last(here))

    def _chosen(self, own: list[str], found: dict[str, frozenset[str]], whole: bool) -> list[str]:
        """What follows: the largest sub-flow first, the others only where all are asked for."""
        ranked = sorted(own, key=lambda there: (len(found[there]), self.order.index(there)))
        return ranked if whole else ranked[:1]

    def _last(self, gate: Gate) -> Iterator[Block]:
        """Nothing follows: any end that names no cause may lead on instead. A step that shares its ways is alone."""
        whole = self._region(gate.step, gate.beyond)
        if not self._closed(gate.step, whole, ""):
            yield Block(gate.step, frozenset({gate.step}), frozenset())
            return
        ends = [
            (key, one.key)
            for key in self.order
            if key in whole
            for one in self.flow.step_by_key[key].outcomes
            if one.go.kind in {GoKind.OUT, GoKind.HAND_OVER}
        ]
        for branch in ends:
            yield self._block(gate, whole, frozenset({branch}))
        if not ends:
            yield self._block(gate, whole, frozenset())

    def _leading_to(self, gate: Gate, steps: frozenset[str], there: str) -> Block:
        exits = frozenset(branch for key in steps for branch, to in self.onward[key] if to == there)
        return self._block(Gate(gate.step, gate.beyond | {there}), steps, exits)

    def _block(self, gate: Gate, steps: frozenset[str], exits: frozenset[Edge]) -> Block:
        held: set[str] = {gate.step}
        inside = []
        for key in self.order:
            if key in steps and key not in held:
                inside.append(Gate(key, gate.beyond))
                held |= self.of(inside[-1])[0].steps
        return Block(gate.step, steps, exits, tuple(inside))


Orders = Mapping[str, tuple[Row, tuple[int, ...]]]
"""By the entry of a row: the row as it was read, and the places of its blocks in their new order."""


def reordered(flow: Flow, orders: Orders) -> Flow:
    """``flow`` with the blocks of some rows in another order. What led to a row leads to its new first block, the exits
    of each block to the next, those of the last to where the row leads. The note at an end goes with the end."""
    widest_first = sorted(orders.values(), key=lambda one: -len(one[0].steps))
    for row, places in widest_first:  # an inner row then finds where the outer one leads now
        flow = _reordered(flow, row, [row.blocks[place] for place in places])
    return flow


def _reordered(flow: Flow, row: Row, blocks: list[Block]) -> Flow:
    lasting = row.blocks[-1].exits
    # A last block without exits stays the last; where the row leads is then of no matter.
    tail = next((flow.step_by_key[step].outcome(key) for step, key in sorted(lasting)), Outcome("", "", Go(GoKind.OUT)))
    note = tail.note if tail.go.kind is not GoKind.STEP else ""
    following = {
        branch: Go(GoKind.STEP, after.head) if after else tail.go
        for block, after in zip(blocks, (*blocks[1:], None), strict=True)
        for branch in block.exits
    }

    def led(branch: Edge, one: Outcome) -> Outcome:
        if branch not in following:
            return replace(one, go=Go(GoKind.STEP, blocks[0].head)) if one.go == Go(GoKind.STEP, row.entry) else one
        own = "" if note and branch in lasting else one.note
        told = f"{own} {note}".strip() if branch in blocks[-1].exits else own
        return replace(one, go=following[branch], note=told)

    steps = tuple(
        replace(step, outcomes=tuple(led((step.key, one.key), one) for one in step.outcomes)) for step in flow.steps
    )
    return replace(flow, start=blocks[0].head if flow.start == row.entry else flow.start, steps=steps)
