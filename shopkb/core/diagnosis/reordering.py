"""A cheaper order of the same tests: neighbours that follow each other are exchanged, the cheapest order so far first.

The search may be stopped at any time and then says what it has: the best order found, how many were looked at, whether
that was all of them, and how far the best stands above a floor that no order falls below (:mod:`order_bound`). No step
loses what it ``needs`` or a caution it may lean on: both still come before it on every way. Actions, which change
the vehicle's state, stay where they are, and each cause stays at the test that proves it. The result is a draft to be
looked at, checked and tried: its order has never been used, so its figures assume that readings do not depend on
each other.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from heapq import heappop, heappush
from typing import Final

from shopkb.core.diagnosis.appraisal import Appraisal, appraise
from shopkb.core.diagnosis.cause_model import CauseModel
from shopkb.core.diagnosis.order_bound import least_minutes
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Step, TestKind
from shopkb.core.flow.paths import always_passed, loops, reachable

MOST_LOST: Final = 0.005
"""How much the chance of a right end may fall for an order still to be taken."""

LEAST_SAVED: Final = 0.05
"""Minutes that another order must save to be proposed."""

MOST_ORDERS: Final = 600
"""Orders looked at, unless told otherwise."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """``later`` now comes before ``earlier``: what used to lead to ``earlier`` leads to ``later``, whose ``outcome``
    leads to ``earlier``."""

    earlier: str
    later: str
    outcome: str
    saves: float


@dataclass(frozen=True, slots=True)
class BetterOrder:
    """A cheaper order as a flow, the exchanges that lead to it, and both appraisals."""

    flow: Flow
    exchanges: tuple[Exchange, ...]
    before: Appraisal
    after: Appraisal

    @property
    def saves(self) -> float:
        """Expected minutes saved."""
        return self.before.minutes - self.after.minutes


@dataclass(frozen=True, slots=True)
class OrderSearch:
    """How far a search has come.

    ``looked_at`` orders were appraised, the writer's own among them; ``complete`` when those are all that exchanges
    reach. ``floor`` is what no order falls below in expected minutes, ``least`` the cheapest found.
    """

    best: BetterOrder | None
    looked_at: int
    complete: bool
    least: float
    floor: float

    @property
    def gap(self) -> float:
        """Minutes that a still better order could save at most; 0 when all orders were looked at."""
        return 0.0 if self.complete else max(0.0, self.least - self.floor)


def better_order(
    flow: Flow, model: CauseModel, settled: Collection[str] = (), most: int = MOST_ORDERS
) -> BetterOrder | None:
    """The cheapest order that :func:`search` finds among ``most``, ``None`` if none saves anything."""
    return last(search(flow, model, settled, most)).best


def last(found: Iterator[OrderSearch]) -> OrderSearch:
    """Where a search ends."""
    *_, end = found
    return end


def search(
    flow: Flow, model: CauseModel, settled: Collection[str] = (), most: int = MOST_ORDERS
) -> Iterator[OrderSearch]:
    """Look at up to ``most`` orders, the neighbours of the cheapest first, and tell after each round.

    ``model`` is learned of ``flow``; the new order is judged by the same likelihoods. ``settled`` holds steps that keep
    their place, for safety or because the writer says so. How sure the saving is,
    :func:`ordering.difference` tells. O(orders x cost of an appraisal).

    Raises:
        ValueError: the flow cannot be appraised.
    """
    start = appraise(flow, model, what_matters=False)
    floor = least_minutes(flow, model, start.right - MOST_LOST)
    best, seen = _Reached(start.minutes, 0, flow, (), start), {_ways(flow)}
    ahead, complete = [best], False
    while ahead and not complete and len(seen) < most:
        here = heappop(ahead)
        for draft, exchange in _further(here.flow, settled):
            if len(seen) >= most:
                break
            if (ways := _ways(draft)) in seen:
                continue
            seen.add(ways)
            tried = appraise(draft, model, what_matters=False)
            made = replace(exchange, saves=here.found.minutes - tried.minutes)
            reached = _Reached(tried.minutes, len(seen), draft, (*here.made, made), tried)
            heappush(ahead, reached)
            if tried.right >= start.right - MOST_LOST and tried.minutes < best.minutes - 1e-9:
                best = reached
        complete = not ahead
        yield _standing(start, best, len(seen), complete, floor)
    if not complete:
        yield _standing(start, best, len(seen), not ahead, floor)


@dataclass(frozen=True, slots=True, order=True)
class _Reached:
    """An order, how it was come by and its appraisal; the cheapest sorts first, then the one found first."""

    minutes: float
    place: int
    flow: Flow = field(compare=False)
    made: tuple[Exchange, ...] = field(compare=False)
    found: Appraisal = field(compare=False)


def _standing(start: Appraisal, best: _Reached, looked_at: int, complete: bool, floor: float) -> OrderSearch:
    saves = start.minutes - best.minutes > LEAST_SAVED
    better = BetterOrder(best.flow, best.made, start, best.found) if saves else None
    return OrderSearch(better, looked_at, complete, best.minutes, min(floor, best.minutes))


def _further(flow: Flow, settled: Collection[str]) -> Iterator[tuple[Flow, Exchange]]:
    for earlier, later, outcome, draft in exchanges(flow, settled):
        yield draft, Exchange(earlier, later, outcome, 0.0)


def _ways(flow: Flow) -> tuple[object, ...]:
    """What makes an order what it is: where it starts and where every outcome leads."""
    return flow.start, tuple(outcome.go for step in flow.steps for outcome in step.outcomes)


def exchanges(flow: Flow, settled: Collection[str] = ()) -> Iterator[tuple[str, str, str, Flow]]:
    """Every exchange of two neighbours that keeps what steps need: (earlier, later, outcome of later, the new flow).

    The outcome of the second that leads to the first afterwards is no end at a cause, so that each cause is proven
    by the same outcome of the same test in every order.

    Neighbours are steps of which the first alone leads to the second, by one outcome, and ends by all others: a step
    behind one of several ways on may make sense on that way only. The second may pass the first only if it gives
    all of the first's cautions itself, and neither is an action, unplugs anything, or is ``settled``.
    """
    kept = _met(flow)
    for first in flow.steps:
        for gate in first.outcomes:
            second = _only_child(flow, first, gate)
            if second is None or not _may_pass(first, second, settled):
                continue
            for outcome in second.outcomes:
                if outcome.go.kind is GoKind.CAUSE:
                    continue
                draft = _exchanged(flow, first, gate, second, outcome)
                if not loops(draft) and _needs_hold(draft) and _met(draft) == kept:
                    yield first.key, second.key, outcome.key, draft


def _may_pass(first: Step, second: Step, settled: Collection[str]) -> bool:
    free = all(
        step.test is not TestKind.ACTION and not step.isolates and step.key not in settled for step in (first, second)
    )
    return free and set(first.cautions) <= set(second.cautions)


def _only_child(flow: Flow, step: Step, gate: Outcome) -> Step | None:
    """The step that this outcome leads to, if nothing else leads there and the others end."""
    if gate.go.kind is not GoKind.STEP or gate.go.key not in flow.step_by_key or gate.go.key == flow.start:
        return None
    if any(other.go.kind is GoKind.STEP for other in step.outcomes if other.key != gate.key):
        return None
    coming = [(one.key, o.key) for one in flow.steps for o in one.outcomes if o.go == gate.go]
    return flow.step_by_key[gate.go.key] if coming == [(step.key, gate.key)] else None


def _exchanged(flow: Flow, first: Step, gate: Outcome, second: Step, outcome: Outcome) -> Flow:
    """``x -> first -gate-> second -outcome-> y`` becomes ``x -> second -outcome-> first -gate-> y``."""

    def led(step: Step, one: Outcome) -> Outcome:
        if step.key == first.key and one.key == gate.key:
            return replace(one, go=outcome.go, proof=outcome.proof, note=outcome.note)
        if step.key == second.key and one.key == outcome.key:
            return replace(one, go=Go(GoKind.STEP, first.key), proof=None, note="")
        if one.go == Go(GoKind.STEP, first.key):
            return replace(one, go=Go(GoKind.STEP, second.key))
        return one

    steps = tuple(replace(step, outcomes=tuple(led(step, one) for one in step.outcomes)) for step in flow.steps)
    return replace(flow, start=second.key if flow.start == first.key else flow.start, steps=steps)


def _needs_hold(flow: Flow) -> bool:
    return all(set(flow.step_by_key[key].needs) <= always_passed(flow, key) for key in reachable(flow))


def _met(flow: Flow) -> tuple[frozenset[str], frozenset[str]]:
    """Steps that some way meets, and causes that some way names."""
    steps = reachable(flow)
    named = {o.go.key for key in steps for o in flow.step_by_key[key].outcomes if o.go.kind is GoKind.CAUSE}
    return steps, frozenset(named)
