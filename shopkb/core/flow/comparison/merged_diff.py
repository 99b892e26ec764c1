"""Two revisions as one flow to be drawn: what only the older one has stands in it too, and words say what became of it.

Words stand in titles and labels, so that a drawing needs neither colour nor legend.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from shopkb.core.flow.comparison.compare import ChangeKind, Comparison, compare
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Step

WAS = "was"
"""Ending of the key under which the old way of a rerouted outcome is drawn."""


@dataclass(frozen=True)
class MergedDiff:
    """``flow`` holds the newer revision and what was removed since; ``changed`` the branches that are not the same."""

    flow: Flow
    changed: tuple[tuple[str, str], ...]


def merged_diff(old: Flow, new: Flow) -> MergedDiff:
    """The two as one. Steps keep the newer revision's numbers; removed ones come last.

    ``changed`` has every branch added, removed, rerouted or changed in meaning, and all branches of such steps.
    """
    comparison = compare(old, new)
    steps = {one.step: one.change for one in comparison.steps}
    removed = [step for step in old.steps if step.key not in new.step_by_key]
    known = frozenset(new.step_by_key) | {step.key for step in removed}
    causes = (*new.causes, *(cause for cause in old.causes if cause.key not in new.cause_by_key | dict.fromkeys(known)))
    named = frozenset(cause.key for cause in causes)
    merged = tuple(
        _step(step, old.step_by_key.get(step.key), steps[step.key], comparison, known, named)
        for step in (*new.steps, *removed)
    )
    flow = replace(new, steps=merged, causes=causes)
    return MergedDiff(flow, tuple(_changed(flow, comparison, steps)))


_TOLD = (ChangeKind.ADDED, ChangeKind.REMOVED, ChangeKind.MEANING, ChangeKind.REROUTED)


def _worded(change: ChangeKind, text: str) -> str:
    return text if change is ChangeKind.KEPT else f"{change.value.upper()}: {text}"


def _step(
    step: Step,
    before: Step | None,
    change: ChangeKind,
    comparison: Comparison,
    known: frozenset[str],
    named: frozenset[str],
) -> Step:
    changes = {one.outcome: one.change for one in comparison.outcomes if one.step == step.key}
    outcomes: list[Outcome] = []
    older = {outcome.key: outcome for outcome in (before.outcomes if before else ())}
    for outcome in step.outcomes:
        told = changes[outcome.key] if change not in (ChangeKind.ADDED, ChangeKind.REMOVED) else ChangeKind.KEPT
        outcomes.append(replace(outcome, label=_worded(told, outcome.label), go=_go(outcome.go, known, named)))
        was = older.pop(outcome.key, None)
        if was is not None and was.go != outcome.go:
            label = f"WAS: {was.label}"
            outcomes.append(replace(was, key=f"{was.key}-{WAS}", label=label, go=_go(was.go, known, named)))
    for gone in older.values():
        label = _worded(ChangeKind.REMOVED, gone.label)
        outcomes.append(replace(gone, label=label, go=_go(gone.go, known, named)))
    return replace(step, title=_worded(change, step.title), outcomes=tuple(outcomes))


def _go(go: Go, known: frozenset[str], named: frozenset[str]) -> Go:
    """A way that one of the two flows has and the other gave another meaning leads nowhere in the drawing."""
    there = {GoKind.STEP: known, GoKind.CAUSE: named}.get(go.kind)
    return go if there is None or go.key in there else Go(GoKind.NOWHERE, go.key)


def _changed(flow: Flow, comparison: Comparison, steps: dict[str, ChangeKind]) -> list[tuple[str, str]]:
    told = {(one.step, one.outcome) for one in comparison.outcomes if one.change in _TOLD}
    whole = {key for key, change in steps.items() if change in _TOLD}
    return [
        (step.key, outcome.key)
        for step in flow.steps
        for outcome in step.outcomes
        if step.key in whole or (step.key, outcome.key) in told or outcome.label.startswith("WAS: ")
    ]
