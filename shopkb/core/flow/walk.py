"""Where a run stands: the results that count, and the step to do now, from everything recorded in order.

Results are never deleted. Answering an earlier step again replaces its answer; if the new answer leads another way, the
answers after it are superseded. An answer for a step that is neither current nor on the way already taken (a late one
from a device that was offline) is kept but does not move the run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shopkb.core.flow.model import Flow, GoKind, Outcome


@dataclass(frozen=True, slots=True)
class AnsweredStep:
    """One recorded result. ``route`` is the outcome it leaves the step by: its own, or the one assumed after a skip."""

    step: str
    route: str


@dataclass(frozen=True, slots=True)
class Walk:
    """Route taken.

    ``standing`` holds positions in the entries, in path order. ``current`` is the key of the step to do now, empty
    at an end or where the way breaks off. ``end`` is the outcome that ended the walk, reached at ``end_step``.
    """

    standing: tuple[int, ...]
    path: tuple[tuple[str, str], ...]
    current: str
    end: Outcome | None = None
    end_step: str = ""


def walk(flow: Flow, entries: Sequence[AnsweredStep], before: Walk | None = None) -> Walk:
    """Replay ``entries`` through ``flow``. O(entries x path length).

    ``before`` is the walk of all but the last of them, where it is known: then only the last one is replayed.
    """
    standing = list(before.standing) if before else []
    expected = before.current if before else flow.start
    first = len(entries) - 1 if before else 0
    for position, entry in enumerate(entries[first:], start=first):
        step = flow.step_by_key.get(entry.step)
        if step is None or entry.route not in {outcome.key for outcome in step.outcomes}:
            continue
        earlier = next((place for place, index in enumerate(standing) if entries[index].step == entry.step), None)
        if earlier is not None:
            if entries[standing[earlier]].route == entry.route:
                standing[earlier] = position
                continue
            del standing[earlier:]
        elif entry.step != expected:
            continue
        standing.append(position)
        go = step.outcome(entry.route).go
        expected = go.key if go.kind is GoKind.STEP else ""
    return _walk(flow, entries, standing)


def _walk(flow: Flow, entries: Sequence[AnsweredStep], standing: list[int]) -> Walk:
    path = tuple((entries[index].step, entries[index].route) for index in standing)
    if not path:
        return Walk((), (), flow.start if flow.start in flow.step_by_key else "")
    last_step, last_route = path[-1]
    outcome = flow.step_by_key[last_step].outcome(last_route)
    if outcome.go.kind is GoKind.STEP:
        current = outcome.go.key if outcome.go.key in flow.step_by_key else ""
        return Walk(tuple(standing), path, current)
    return Walk(tuple(standing), path, "", outcome, last_step)
