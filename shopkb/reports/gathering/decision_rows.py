"""Decisions about suggestions, as stored."""

from __future__ import annotations

from shopkb.reports.figures.decisions import Decided, Decision
from shopkb.reports.models import SuggestionDecision


def decisions_in_force() -> tuple[SuggestionDecision, ...]:
    """The latest on each subject, newest first. One query."""
    return tuple(SuggestionDecision.decisions.latest().select_related("person", "by"))


def as_value(row: SuggestionDecision) -> Decision:
    return Decision(row.subject, Decided(row.decided), row.part, row.whole)
