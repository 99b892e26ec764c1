"""A cheaper order of the same tests: neighbours that follow each other are exchanged as long as that saves minutes.

Where each test can end in a cause of its own, exchanging neighbours leads to the order by probability over cost, the
best there is (:mod:`repairs`). No step loses what it ``needs`` or a caution it may lean on: both still come before it
on every way. Actions, which change the vehicle's state, stay where they are. The result is a draft to be looked at,
checked and tried: its order has never been used, so its figures assume that readings do not depend on each other.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from typing import Final

from shopkb.core.diagnosis.appraisal import Appraisal, appraise
from shopkb.core.diagnosis.cause_model import CauseModel
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Step, TestKind
from shopkb.core.flow.paths import always_passed, loops, reachable

MOST_LOST: Final = 0.005
"""How much the chance of a right end may fall for an order still to be taken."""

LEAST_SAVED: Final = 0.05
"""Minutes that an exchange must save to be made."""

MOST_EXCHANGES: Final = 100


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


def better_order(flow: Flow, model: CauseModel, settled: Collection[str] = ()) -> BetterOrder | None:
    """The order that exchanging neighbours leads to, ``None`` if no exchange saves anything.

    ``model`` is learned of ``flow``; the new order is judged by the same likelihoods. ``settled`` holds steps that keep
    their place, for safety or because the writer says so. How sure the saving is,
    :func:`ordering.difference` tells. O(exchanges x steps x cost of an appraisal).

    Raises:
        ValueError: the flow cannot be appraised.
    """
    start = here = appraise(flow, model, what_matters=False)
    best, made = flow, list[Exchange]()
    while len(made) < MOST_EXCHANGES:
        found: tuple[Exchange, Flow, Appraisal] | None = None
        for earlier, later, outcome, draft in exchanges(best, settled):
            tried = appraise(draft, model, what_matters=False)
            saves = here.minutes - tried.minutes
            if tried.right >= start.right - MOST_LOST and saves > (found[0].saves if found else LEAST_SAVED):
                found = Exchange(earlier, later, outcome, saves), draft, tried
        if found is None:
            break
        made.append(found[0])
        best, here = found[1], found[2]
    return BetterOrder(best, tuple(made), start, here) if made else None


def exchanges(flow: Flow, settled: Collection[str] = ()) -> Iterator[tuple[str, str, str, Flow]]:
    """Every exchange of two neighbours that keeps what steps need: (earlier, later, outcome of later, the new flow).

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
