"""Which results of a run count, from rows."""

from __future__ import annotations

from collections.abc import Sequence

from shopkb.core.flow.model import Flow
from shopkb.core.flow.walk import Entry, Walk, walk
from shopkb.jobs.models import Result


def on_path(rows: Sequence[Result]) -> list[Result]:
    return [row for row in rows if not row.off_path]


def walk_of(flow: Flow, rows: Sequence[Result]) -> Walk:
    """Where the run stands. ``rows`` in the order they were recorded."""
    return walk(flow, [Entry(row.step, row.outcome or row.onward) for row in on_path(rows)])


def standing_results(flow: Flow, rows: Sequence[Result]) -> list[Result]:
    """The results that count: those on the way taken, and the latest of each step done out of order."""
    ordered = on_path(rows)
    standing = [ordered[index] for index in walk_of(flow, rows).standing]
    done = {row.step for row in standing}
    aside = {row.step: row for row in rows if row.off_path and row.step not in done and has_place(flow, row)}
    return sorted([*standing, *aside.values()], key=lambda row: row.pk)


def has_place(flow: Flow, row: Result) -> bool:
    """Whether the flow still has the step and the outcome: a run may have been moved to a newer revision."""
    step = flow.step_by_key.get(row.step)
    return step is not None and (row.outcome or row.onward) in {outcome.key for outcome in step.outcomes}
