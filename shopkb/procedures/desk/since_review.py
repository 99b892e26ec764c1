"""What changed since a draft was last reviewed: since it was sent back, else since the revision in force."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from shopkb.core.flow.comparison.compare import ChangeKind, ItemChange, compare
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import Flow, Outcome
from shopkb.procedures.desk.finding_text import with_titles
from shopkb.procedures.models import Review, Revision
from shopkb.procedures.storing import flow_of


@dataclass(frozen=True, slots=True)
class SinceReview:
    """The changes in sentences: of each step that changed, of the procedure as a whole, and the steps that are gone.

    ``review`` is the sending back that is counted from; without one it is ``in_force``, the revision in force.
    """

    steps: Mapping[str, Sequence[str]]
    whole: Sequence[str]
    removed: Sequence[str]
    review: Review | None = None
    in_force: Revision | None = None


def since_review(revision: Revision, flow: Flow) -> SinceReview | None:
    """``None`` where nothing was reviewed before: then everything is new."""
    review = revision.reviews.select_related("by").last()
    if review is not None:
        before = read_flow(review.text).flow
        return None if before is None else _changes(before, flow, review=review)
    held = Revision.objects.filter(procedure=revision.procedure_id, state=Revision.State.PUBLISHED)
    in_force = held.exclude(pk=revision.pk).with_document().first()
    return None if in_force is None else _changes(flow_of(in_force), flow, in_force=in_force)


def _changes(before: Flow, now: Flow, *, review: Review | None = None, in_force: Revision | None = None) -> SinceReview:
    found = compare(before, now)
    steps: dict[str, list[str]] = {}
    for one in (*found.steps, *found.outcomes):
        if one.change is not ChangeKind.KEPT and one.step in now.step_by_key:
            steps.setdefault(one.step, []).append(_sentence(one, before, now))
    removed = [before.step_by_key[one.step].title for one in found.steps if one.change is ChangeKind.REMOVED]
    causes = [f"Cause {one.cause.replace('-', ' ')}: {one.change}" for one in found.causes if _changed(one)]
    return SinceReview(steps, [*found.procedure, *causes], removed, review, in_force)


def _changed(one: ItemChange) -> bool:
    return one.change is not ChangeKind.KEPT


def _sentence(one: ItemChange, before: Flow, now: Flow) -> str:
    label = ""
    if one.outcome:
        labels = {row.key: row.label for flow in (before, now) for row in _outcomes(flow, one.step)}
        label = f"“{labels.get(one.outcome, one.outcome)}” "
    words = "; ".join(with_titles(one, before, now).words)
    return f"{label}{one.change}{f': {words}' if words else ''}.".replace("..", ".")


def _outcomes(flow: Flow, step: str) -> Sequence[Outcome]:
    return flow.step_by_key[step].outcomes if step in flow.step_by_key else ()
