"""A procedure without one of its steps, as if one of its answers had always been given. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Proof, Step
from shopkb.core.flow.paths import reachable


class CannotLeaveOut(ValueError):
    """The step cannot be left out; the sentence says why, and what would be right."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """``flow`` is what remains. ``led_here`` are the branches that led to the step and now pass it by; ``gone_steps``
    are further steps that no way leads to any more, ``gone_causes`` those that nothing would prove any more."""

    flow: Flow
    led_here: tuple[tuple[Step, Outcome], ...]
    gone_steps: tuple[Step, ...]
    gone_causes: tuple[Cause, ...]


def without(flow: Flow, key: str, outcome: str) -> LeftOut:
    """``flow`` without the step ``key``: what led to it leads where its ``outcome`` led.

    A cause that is named so is named by elimination only, since what proved it is gone.

    Raises:
        CannotLeaveOut: there is no such step or outcome, or the procedure would begin with no step.
    """
    step = flow.step_by_key.get(key)
    taken = next((one for one in step.outcomes if one.key == outcome), None) if step else None
    if step is None or taken is None:
        raise CannotLeaveOut("This step has no such answer. Choose one of those it has.")
    if flow.start == key and taken.go.kind is not GoKind.STEP:
        raise CannotLeaveOut("The procedure begins with this step. Choose an answer that leads to another step.")
    led_here = tuple((one, each) for one in flow.steps for each in one.outcomes if each.go == Go(GoKind.STEP, key))
    shorter = replace(
        flow,
        start=taken.go.key if flow.start == key else flow.start,
        steps=tuple(_past(one, key, taken) for one in flow.steps if one.key != key),
    )
    still = reachable(shorter)
    steps = tuple(_needing(one, still) for one in shorter.steps if one.key in still)
    gone = _named(flow) - _named(replace(shorter, steps=steps))
    return LeftOut(
        replace(shorter, steps=steps, causes=tuple(cause for cause in flow.causes if cause.key not in gone)),
        led_here,
        tuple(one for one in shorter.steps if one.key not in still),
        tuple(cause for cause in flow.causes if cause.key in gone),
    )


def _past(step: Step, key: str, taken: Outcome) -> Step:
    return replace(step, outcomes=tuple(_redirected(each, key, taken) for each in step.outcomes))


def _redirected(outcome: Outcome, key: str, taken: Outcome) -> Outcome:
    if outcome.go != Go(GoKind.STEP, key):
        return outcome
    proof = Proof.ELIMINATION if taken.go.kind is GoKind.CAUSE else None
    return replace(outcome, go=taken.go, proof=proof, note=outcome.note or taken.note)


def _needing(step: Step, still: frozenset[str]) -> Step:
    """What it needs first, of what is still there."""
    return replace(step, needs=tuple(need for need in step.needs if need in still))


def _named(flow: Flow) -> frozenset[str]:
    """Keys of the causes that some outcome names."""
    return frozenset(each.go.key for step in flow.steps for each in step.outcomes if each.go.kind is GoKind.CAUSE)
