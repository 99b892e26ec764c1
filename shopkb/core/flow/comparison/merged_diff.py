"""Two revisions as one flow to be drawn: with what only the older one has, and what became of each part."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from shopkb.core.flow.comparison.compare import ChangeKind, Comparison, compare
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Step

WAS = "was"
"""Ending of the key under which the old way of a rerouted outcome is drawn."""


class Change(StrEnum):
    """What became of a step or an outcome, as people are told. The old way of a moved outcome is taken out."""

    ADDED = "added"
    TAKEN_OUT = "taken out"
    CHANGED = "changed"
    MOVED = "moved"


_CHANGES = {
    ChangeKind.ADDED: Change.ADDED,
    ChangeKind.REMOVED: Change.TAKEN_OUT,
    ChangeKind.MEANING: Change.CHANGED,
    ChangeKind.REWORDED: Change.CHANGED,
    ChangeKind.REROUTED: Change.MOVED,
}


@dataclass(frozen=True)
class MergedDiff:
    """``flow`` holds the newer revision and what was removed since; ``changed`` the branches that are not the same.

    ``changes`` says what became of each step, by (step key, empty), and of each outcome, by (step key, outcome key).
    """

    flow: Flow
    changed: tuple[tuple[str, str], ...]
    changes: Mapping[tuple[str, str], Change]


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
    merged = tuple(_step(step, old.step_by_key.get(step.key), known, named) for step in (*new.steps, *removed))
    flow = replace(new, steps=merged, causes=causes)
    changes = _changes(flow, comparison, steps)
    return MergedDiff(flow, tuple(_changed(flow, comparison, steps)), changes)


_TOLD = (ChangeKind.ADDED, ChangeKind.REMOVED, ChangeKind.MEANING, ChangeKind.REROUTED)


def _step(step: Step, before: Step | None, known: frozenset[str], named: frozenset[str]) -> Step:
    outcomes: list[Outcome] = []
    older = {outcome.key: outcome for outcome in (before.outcomes if before else ())}
    for outcome in step.outcomes:
        outcomes.append(replace(outcome, go=_go(outcome.go, known, named)))
        was = older.pop(outcome.key, None)
        if was is not None and was.go != outcome.go:
            outcomes.append(replace(was, key=f"{was.key}-{WAS}", go=_go(was.go, known, named)))
    outcomes += [replace(gone, go=_go(gone.go, known, named)) for gone in older.values()]
    return replace(step, outcomes=tuple(outcomes))


def _changes(flow: Flow, comparison: Comparison, steps: dict[str, ChangeKind]) -> dict[tuple[str, str], Change]:
    """What became of each step that is not the same, and of each outcome of a step that both revisions have."""
    kinds = {(one.step, one.outcome): one.change for one in comparison.outcomes}
    changes = {(key, ""): _CHANGES[kind] for key, kind in steps.items() if kind in _CHANGES}
    for step, outcome in flow.branches:
        kind = kinds.get((step.key, outcome.key))
        if steps[step.key] in (ChangeKind.ADDED, ChangeKind.REMOVED):
            continue
        if kind is None and outcome.key.endswith(f"-{WAS}"):
            changes[step.key, outcome.key] = Change.TAKEN_OUT
        elif kind in _CHANGES:
            changes[step.key, outcome.key] = _CHANGES[kind]
    return changes


def _go(go: Go, known: frozenset[str], named: frozenset[str]) -> Go:
    """A way that one of the two flows has and the other gave another meaning leads nowhere in the drawing."""
    there = {GoKind.STEP: known, GoKind.CAUSE: named}.get(go.kind)
    return go if there is None or go.key in there else Go(GoKind.NOWHERE, go.key)


def _changed(flow: Flow, comparison: Comparison, steps: dict[str, ChangeKind]) -> list[tuple[str, str]]:
    told = {(one.step, one.outcome) for one in comparison.outcomes if one.change in _TOLD}
    known = {(one.step, one.outcome) for one in comparison.outcomes}
    whole = {key for key, change in steps.items() if change in _TOLD}
    return [
        (step.key, outcome.key)
        for step in flow.steps
        for outcome in step.outcomes
        if step.key in whole
        or (step.key, outcome.key) in told
        or (outcome.key.endswith(f"-{WAS}") and (step.key, outcome.key) not in known)
    ]
