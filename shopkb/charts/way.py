"""The way most jobs go through a flow: the spine that a chart draws straight."""

from __future__ import annotations

from shopkb.charts.branch_notes import BranchKey, BranchNotes
from shopkb.core.flow.model import Flow, GoKind, Outcome, Step
from shopkb.core.flow.paths import causes_from, causes_reachable, steps_left


def busiest_way(flow: Flow, notes: BranchNotes) -> tuple[BranchKey, ...]:
    """The branches from the first step on, each the one that most jobs took of those that lead to a step.

    Where no job has told, it is the branch with the longest way behind it. A draft's loop ends it.
    """
    way: list[BranchKey] = []
    met: set[str] = set()
    step = flow.step_by_key.get(flow.start)
    while step is not None and step.key not in met:
        met.add(step.key)
        onward = onward_outcomes(flow, step)
        if not onward:
            break
        ranked = [((_traffic(notes, step, one), steps_left(flow, one.go.key)), one) for one in onward]
        best = max(ranked, key=lambda pair: pair[0])[1]
        way.append((step.key, best.key))
        step = flow.step_by_key[best.go.key]
    return tuple(way)


def onward_outcomes(flow: Flow, step: Step) -> tuple[Outcome, ...]:
    """The outcomes of a step that lead to a step of the flow."""
    return tuple(one for one in step.outcomes if one.go.kind is GoKind.STEP and one.go.key in flow.step_by_key)


def _traffic(notes: BranchNotes, step: Step, outcome: Outcome) -> int:
    note = notes.get((step.key, outcome.key))
    return note.traffic if note else 0


def rules_nothing_out(flow: Flow, step: Step, outcome: Outcome) -> bool:
    """Whether a branch that leads on still leads to every cause that its step can come to: then the cause lies behind
    it whatever it is, and how often it did says nothing."""
    if outcome not in onward_outcomes(flow, step):
        return False
    return causes_reachable(flow, step.key, outcome.key) >= causes_from(flow, step.key)
