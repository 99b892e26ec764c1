"""A cheaper order of the same tests: whole tests and sub-flows of a row change places.

What stands in one row (:mod:`shopkb.core.flow.rows`) is done on the same ways in every order, so nothing is left out
and each cause stays at the test that proves it. Before a step stays what it ``needs`` first, and whatever gives it a
caution that it leans on. Actions, what unplugs something and what is settled keep their place, and nothing passes them.
The search (:mod:`.row_search`) is exact in most procedures; where it is not, it gives a bound on the distance to the
best of all orders. The result is a draft to be checked and tried: its order has never been used, so its figures assume
that readings do not depend on each other.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from shopkb.core.diagnosis.appraisal.expected_cost import Appraisal, appraise
from shopkb.core.diagnosis.appraisal.row_search import Arranged, Arranger, Before, Standing, orders_of, passes
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.counting.flow_counts import FlowCounts
from shopkb.core.flow.model import Flow, TestKind
from shopkb.core.flow.paths import loops
from shopkb.core.flow.rows import Block, Orders, Row, all_rows, proven_in, reordered

MOST_LOST: Final = 0.005
"""How much the chance of a right end may fall for an order to be the one that is advised."""

LEAST_SAVED: Final = 0.05
"""Minutes that another order must save to be proposed."""

ROOMS: Final = ((16, 1_000), (64, 4_000), (256, 12_000))
"""Sets of blocks kept side by side and blocks weighed, at most: at first, then where that was not enough."""

MOST_STEPS: Final = 80

MOST_PROPOSED: Final = 6


@dataclass(frozen=True, slots=True)
class Move:
    """What begins at the step ``later`` now comes before all that begins at the steps ``passed``: the flow so far."""

    later: str
    passed: tuple[str, ...]
    flow: Flow


@dataclass(frozen=True, slots=True)
class BetterOrder:
    """A cheaper order as a flow, the moves that lead to it, and both appraisals."""

    flow: Flow
    moves: tuple[Move, ...]
    before: Appraisal
    after: Appraisal

    @property
    def saves(self) -> float:
        """Expected minutes saved."""
        return self.before.minutes - self.after.minutes

    @property
    def points(self) -> float:
        """Change of the chance of a right end, in points of 100."""
        return 100 * (self.after.right - self.before.right)


@dataclass(frozen=True, slots=True)
class OrderSearch:
    """How far a search has come.

    ``proposals`` are the orders that save minutes and that no other found beats in both minutes and right ends, the
    surest first; ``best`` is the quickest of them that costs no right ends to speak of. ``weighed`` counts how often a
    test or sub-flow was weighed at a place. ``complete``: no order was left out, but for those in which one of the
    steps ``held`` comes sooner: each ends a row whatever its answer, so that nothing can follow it. ``free`` tells
    whether there is any other order at all. ``floor`` is what no order falls below in expected minutes, ``least`` what
    ``best`` takes.
    """

    best: BetterOrder | None
    proposals: tuple[BetterOrder, ...]
    weighed: int
    complete: bool
    free: bool
    least: float
    floor: float
    held: tuple[str, ...] = ()

    @property
    def gap(self) -> float:
        """Minutes that a still better order could save at most; 0 when none was left out."""
        return 0.0 if self.complete else max(0.0, self.least - self.floor)

    @property
    def share_open(self) -> float:
        """The gap as a share of what the best order found takes."""
        return self.gap / self.least if self.least > 0 else 0.0


def better_order(
    flow: Flow, model: CauseModel, settled: Collection[str] = (), leans: Mapping[str, frozenset[str]] | None = None
) -> BetterOrder | None:
    """The cheapest order that :func:`search` finds, ``None`` if none saves anything."""
    return last(search(flow, model, settled, leans)).best


def last(found: Iterator[OrderSearch]) -> OrderSearch:
    """Where a search ends."""
    *_, end = found
    return end


def search(
    flow: Flow,
    model: CauseModel,
    settled: Collection[str] = (),
    leans: Mapping[str, frozenset[str]] | None = None,
    rooms: Sequence[tuple[int, int]] = ROOMS,
) -> Iterator[OrderSearch]:
    """Arrange with more and more room until no order is left out, and tell after each round.

    ``model`` is learned of ``flow``, best from :func:`widened` counts: else a test counts as saying nothing of causes
    that only another order puts behind it. All orders are judged by it. ``settled`` holds steps that keep their place,
    for safety or because the writer says so. ``leans`` gives for each step the steps whose cautions it leans on
    (:func:`step_hazards.safety_prerequisites`); without it, a step may lean on every caution that it does not give
    itself. :func:`compare_revisions.difference` gives the uncertainty of the saving. O(width x blocks squared x cost of
    a block) a round.

    Raises:
        ValueError: the flow cannot be appraised, or has more than 80 steps.
    """
    start = appraise(flow, model, with_sensitivities=False)
    if len(flow.steps) > MOST_STEPS:
        raise ValueError(f"Orders are compared up to {MOST_STEPS} steps; {flow.title} has {len(flow.steps)}.")
    weighed = 0
    for width, most in rooms:
        arranger = Arranger(flow, model, _stays(flow, settled, leans), width, most)
        found = arranger.whole()
        weighed += arranger.weighed
        yield _told(flow, model, start, found, arranger.is_free, weighed)
        if not found.cut:
            return


def widened(
    counts: FlowCounts, settled: Collection[str] = (), leans: Mapping[str, frozenset[str]] | None = None
) -> FlowCounts:
    """The counts with, behind each branch, also the causes that another order may put there, because what proves them
    may change places with what the branch leaves. Unchanged for a flow that :func:`search` would not take."""
    flow = counts.flow
    if flow.start not in flow.step_by_key or loops(flow) or len(flow.steps) > MOST_STEPS:
        return counts
    further: dict[tuple[str, str], frozenset[str]] = {}
    stays = _stays(flow, settled, leans)
    for row in all_rows(flow):
        for passing, passed in passes(row, stays):
            proven = proven_in(flow, row.blocks[passed])
            for branch in row.blocks[passing].exits:
                further[branch] = further.get(branch, frozenset()) | proven
    reach = zip(counts.branches, counts.reach, strict=True)
    return replace(
        counts,
        reach=tuple(
            replace(one, causes=one.causes | further[branch]) if branch in further else one for branch, one in reach
        ),
    )


def _told(flow: Flow, model: CauseModel, start: Appraisal, found: Arranged, free: bool, weighed: int) -> OrderSearch:
    saving = [one for one in found.front if one.minutes < start.minutes - LEAST_SAVED]
    best = next((one for one in saving if one.right >= start.right - MOST_LOST), None)
    shown = sorted({*_spread(saving), *([best] if best else [])}, key=lambda one: -one.right)
    proposals = {one: _proposed(flow, model, start, one) for one in shown}
    least = best.minutes if best else start.minutes
    return OrderSearch(
        best=proposals[best] if best else None,
        proposals=tuple(proposals.values()),
        weighed=weighed,
        complete=not found.cut,
        free=free,
        least=least,
        floor=min(found.floor, least) if found.cut else least,
        held=_held(flow),
    )


def _held(flow: Flow) -> tuple[str, ...]:
    """Last steps of rows that never move: every answer ends the row."""
    ends = (row.blocks[-1] for row in all_rows(flow) if len(row.blocks) > 1)
    return tuple(dict.fromkeys(block.head for block in ends if not block.exits))


def _spread(found: Sequence[Standing]) -> list[Standing]:
    """At most :data:`MOST_PROPOSED` of them, the quickest and the surest among these."""
    most = min(MOST_PROPOSED, len(found))
    return [found[round(place * (len(found) - 1) / max(1, most - 1))] for place in range(most)]


def _proposed(flow: Flow, model: CauseModel, start: Appraisal, one: Standing) -> BetterOrder:
    moves = tuple(Move(later, passed, reordered(flow, orders)) for later, passed, orders in _moves(orders_of(one)))
    return BetterOrder(moves[-1].flow, moves, start, appraise(moves[-1].flow, model, with_sensitivities=False))


def _moves(orders: Orders) -> Iterator[tuple[str, tuple[str, ...], Orders]]:
    """One block after the other is taken to its place, those in front first; each time all the orders so far."""
    so_far: dict[str, tuple[Row, tuple[int, ...]]] = {}
    for entry, (row, wanted) in orders.items():
        places = tuple(range(len(wanted)))
        for goal, block in enumerate(wanted):
            came = places.index(block)
            if came > goal:
                passed = tuple(row.blocks[place].head for place in places[goal:came])
                places = (*places[:goal], block, *places[goal:came], *places[came + 1 :])
                so_far[entry] = row, places
                yield row.blocks[block].head, passed, dict(so_far)


def _stays(flow: Flow, settled: Collection[str], leans: Mapping[str, frozenset[str]] | None) -> Before:
    """Whether a block must stay before another: for what is needed, for a caution, or because one of them is fixed."""
    fixed = {step.key for step in flow.steps if step.test is TestKind.ACTION or step.isolates or step.key in settled}

    def stays(first: Block, second: Block) -> bool:
        if (first.steps | second.steps) & fixed:
            return True
        behind = [flow.step_by_key[key] for key in second.steps]
        if any(first.steps & {*step.needs} for step in behind):
            return True
        if leans is not None:
            return any(first.steps & leans.get(step.key, frozenset()) for step in behind)
        given = {caution for key in first.steps for caution in flow.step_by_key[key].cautions}
        return any(given - {*step.cautions} for step in behind)

    return stays
