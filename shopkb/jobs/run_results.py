"""Which results of a run count, from rows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, TypeVar

from shopkb.core.flow.model import Flow
from shopkb.core.flow.walk import AnsweredStep, Walk, walk


class ResultLike(Protocol):
    """What tells whether a result stands: a row, or as much of it as was read."""

    @property
    def pk(self) -> int: ...
    @property
    def step(self) -> str: ...
    @property
    def outcome(self) -> str: ...
    @property
    def onward(self) -> str: ...
    @property
    def off_path(self) -> bool: ...


R = TypeVar("R", bound=ResultLike)


def on_path(rows: Sequence[R]) -> list[R]:
    return [row for row in rows if not row.off_path]


def walk_of(flow: Flow, rows: Sequence[ResultLike], before: Walk | None = None) -> Walk:
    """Where the run stands. ``rows`` in the order they were recorded; ``before``: the walk of all but the last one."""
    if before is not None and rows[-1].off_path:
        return before
    return walk(flow, [AnsweredStep(row.step, row.outcome or row.onward) for row in on_path(rows)], before)


def effective_results(flow: Flow, rows: Sequence[R]) -> list[R]:
    """The results that count: those on the route taken, and the latest of each step done out of order."""
    return standing_results(flow, rows, walk_of(flow, rows))


def standing_results(flow: Flow, rows: Sequence[R], route: Walk) -> list[R]:
    """The same, where ``route`` is at hand: :func:`walk_of` these rows."""
    ordered = on_path(rows)
    effective = [ordered[index] for index in route.standing]
    done = {row.step for row in effective}
    aside = {row.step: row for row in rows if row.off_path and row.step not in done and has_place(flow, row)}
    return sorted([*effective, *aside.values()], key=lambda row: row.pk)


def has_place(flow: Flow, row: ResultLike) -> bool:
    """Whether the flow still has the step and the outcome: a run may have been moved to a newer revision."""
    return has_outcome(flow, row.step, row.outcome or row.onward)


def has_outcome(flow: Flow, step: str, outcome: str) -> bool:
    """Whether the flow has a step with this key and, on it, an outcome with this key."""
    found = flow.step_by_key.get(step)
    return found is not None and outcome in {one.key for one in found.outcomes}
