"""What the checks find in a procedure's text, each with its line, and a misspelt way onward told once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from difflib import get_close_matches

from shopkb.core.flow.file.reader import read_flow, with_lines
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.findings import CheckFinding
from shopkb.core.flow.model import Flow, Go, GoKind, Step
from shopkb.procedures.publishing import findings_of


def findings_of_text(flow: Flow, lines: Mapping[str, int]) -> tuple[CheckFinding, ...]:
    """All findings of the checks, by line. ``lines`` is what reading the text gave.

    Where an outcome leads to a key that is nearly one of the flow's, the steps and causes that are out of reach only
    for that are left out: whoever mends the key mends them.
    """
    found = findings_of(flow)
    meant = _as_meant(flow)
    if meant != flow:
        told = {(one.id, one.where) for one in findings_of(meant)}
        found = tuple(one for one in found if one.id == "go-nowhere" or (one.id, one.where) in told)
    return tuple(sorted(with_lines(found, lines), key=lambda one: (not one.is_error, one.line or 0)))


def findings_of_draft(flow: Flow) -> tuple[CheckFinding, ...]:
    """The same for the text that the draft is shown as."""
    return findings_of_text(flow, read_flow(write_flow(flow)).lines)


def _as_meant(flow: Flow) -> Flow:
    """The flow with every misspelt way onward led to the key it nearly names."""
    known = [*flow.step_by_key, *flow.cause_by_key]

    def meant(step: Step) -> Step:
        outcomes = []
        for outcome in step.outcomes:
            near = get_close_matches(outcome.go.key, known, n=1, cutoff=0.6)
            if outcome.go.kind is GoKind.NOWHERE and outcome.go.key and near:
                kind = GoKind.STEP if near[0] in flow.step_by_key else GoKind.CAUSE
                outcome = replace(outcome, go=Go(kind, near[0]))
            outcomes.append(outcome)
        return replace(step, outcomes=tuple(outcomes))

    return replace(flow, steps=tuple(meant(step) for step in flow.steps))
