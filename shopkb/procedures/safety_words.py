"""The door that puts proposed safety words in force, and what of the catalog the procedures use.

A change of what safety rests on is a :class:`shopkb.catalog.models.Proposal` as soon as a procedure uses it. Before a
second person may confirm it, the checks of every procedure in force are run again as if it were in force.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.conf import settings
from django.db import transaction
from django.db.models import QuerySet

from shopkb.accounts.audit import Action, note
from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog import wordings
from shopkb.catalog.facts import facts
from shopkb.catalog.models import Proposal, SafetyKind, Wording
from shopkb.catalog.wordings import ChangeRefused
from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.findings import CheckFinding, Level
from shopkb.core.flow.model import Flow
from shopkb.core.identifiers import is_within
from shopkb.procedures.catalog_paths import naming_path
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of

SHOWN_ERRORS = 3


@dataclass(frozen=True, slots=True)
class Effect:
    """What the checks would say of one procedure in force that they do not say today."""

    revision: Revision
    errors: tuple[CheckFinding, ...]
    others: tuple[CheckFinding, ...]


def titles_using(kind: str, key: str) -> list[str]:
    """Titles of procedures with a revision past its draft that uses this entry: such a revision is in force, is under
    review, or was in force and may still be followed. A meter is anybody's, so all procedures use it."""
    forward = Revision.objects.exclude(state=Revision.State.DRAFT)
    if kind == SafetyKind.METER:
        return list(forward.order_by("title").values_list("title", flat=True).distinct()[:SHOWN_ERRORS])
    if kind == SafetyKind.SYSTEM:
        rows: QuerySet[Revision] = forward.filter(naming_path(key))
        return sorted({row.title for row in rows})
    if kind == wordings.CAUSE:
        rows = forward.filter(naming_path(key.partition("#")[0])).with_document()
        return sorted({row.title for row in rows if any(cause.identity == key for cause in flow_of(row).causes)})
    rows = forward.filter(document__text__contains=f'"{key}"').with_document()
    return sorted({row.title for row in rows if key in _used(flow_of(row), kind)})


def effects_of(proposal: Proposal) -> tuple[Effect, ...]:
    """For each procedure in force that the checks would find something new in, what that is."""
    instead = {(proposal.kind, proposal.key): proposal.facts}
    known = set(Procedure.objects.values_list("key", flat=True))
    today, then = facts(known), facts(known, instead)
    rows = Revision.objects.filter(state=Revision.State.PUBLISHED).with_document().order_by("title")
    effects = []
    for revision in rows:
        flow = flow_of(revision)
        before = set(check_flow(flow, today))
        new = [found for found in check_flow(flow, then) if found not in before]
        if new:
            errors = tuple(found for found in new if found.level is Level.ERROR)
            effects.append(Effect(revision, errors, tuple(found for found in new if found.level is not Level.ERROR)))
    return tuple(effects)


@transaction.atomic
def confirm(proposal: Proposal, *, by: User, at: datetime) -> Wording:
    """Put the proposed words in force.

    Raises:
        PermissionDenied: ``by`` may not publish.
        ChangeRefused: it is decided already, ``by`` proposed it, the entry changed since, or a procedure in force would
            have errors.
    """
    require(by, Right.PUBLISH)
    locked = _waiting(proposal)
    if settings.REVIEW_BY_SECOND_PERSON and locked.by_id == by.pk:
        raise ChangeRefused("You proposed this. A second person must confirm it.")
    broken = [effect for effect in effects_of(locked) if effect.errors]
    if broken:
        titles = ", ".join(effect.revision.title for effect in broken[:SHOWN_ERRORS])
        more = f" and {len(broken) - SHOWN_ERRORS} more" if len(broken) > SHOWN_ERRORS else ""
        raise ChangeRefused(
            f"With these words the checks find errors in procedures in force: {titles}{more}. "
            "Publish revisions that do without it first, or propose other words."
        )
    wording = wordings.put_in_force(locked, by=by, at=at)
    _decide(locked, Proposal.State.CONFIRMED, by=by, at=at)
    return wording


@transaction.atomic
def refuse(proposal: Proposal, *, by: User, at: datetime, why: str) -> None:
    """The words in force stay; the proposal is kept with the reason.

    Raises:
        PermissionDenied: ``by`` may not publish.
        ChangeRefused: it is decided already, or no reason was given.
    """
    require(by, Right.PUBLISH)
    if not why.strip():
        raise ChangeRefused("Say why it is refused: whoever proposed it will read this.")
    _decide(_waiting(proposal), Proposal.State.REFUSED, by=by, at=at, why=why)


@transaction.atomic
def take_back(proposal: Proposal, *, by: User, at: datetime) -> None:
    """Whoever proposed it does not want it any more.

    Raises:
        PermissionDenied: ``by`` may not change the catalog.
        ChangeRefused: it is decided already, or somebody else's.
    """
    require(by, Right.CATALOG)
    locked = _waiting(proposal)
    if locked.by_id != by.pk:
        raise ChangeRefused(f"{locked.by} proposed this. Refuse it instead, with a reason.")
    _decide(locked, Proposal.State.TAKEN_BACK, by=by, at=at)


def written_alone(flow: Flow, by: User) -> list[Wording]:
    """Wordings in force that this flow uses, written by this person and seen by no second one.

    Queries: one; three more where this person wrote any.
    """
    mine = list(Wording.objects.filter(written_by=by, confirmed_by=None).exclude(kind=SafetyKind.METER))
    if not mine:
        return []
    in_force = {
        (kind, wordings.key_of(row)): row.wording
        for kind in {row.kind for row in mine}
        for row in wordings.MODELS[kind]._default_manager.all()
    }
    used = {kind: _used(flow, kind) for kind in SafetyKind}
    current = [row for row in mine if in_force.get((row.kind, row.key)) == row.number]
    return [row for row in current if _is_used(row, used[SafetyKind(row.kind)])]


def _is_used(row: Wording, used: frozenset[str]) -> bool:
    if row.kind == SafetyKind.SYSTEM:
        return any(is_within(path, row.key) for path in used)
    return row.key in used


def _used(flow: Flow, kind: str) -> frozenset[str]:
    """Keys, or paths, of the entries of this kind that a flow names."""
    if kind == SafetyKind.CAUTION:
        return frozenset(key for step in flow.steps for key in step.cautions)
    if kind == SafetyKind.ACCESS:
        return frozenset(step.access for step in flow.steps if step.access)
    if kind == SafetyKind.SYSTEM:
        paths: Iterable[str] = (flow.system, *(step.at for step in flow.steps), *(c.component for c in flow.causes))
        return frozenset(path for path in paths if path)
    return frozenset()


def _waiting(proposal: Proposal) -> Proposal:
    locked = Proposal.objects.select_for_update(of=("self",)).select_related("by").get(pk=proposal.pk)
    if locked.state != Proposal.State.WAITING:
        raise ChangeRefused(f"This proposal is {locked.get_state_display()} already.")
    return locked


def _decide(proposal: Proposal, state: Proposal.State, *, by: User, at: datetime, why: str = "") -> None:
    proposal.state, proposal.decided_by, proposal.decided_at = state, by, at
    proposal.decided_why = why.strip()[:500]
    proposal.save(update_fields=["state", "decided_by", "decided_at", "decided_why"])
    action = Action.WORDS_CONFIRMED if state == Proposal.State.CONFIRMED else Action.WORDS_REFUSED
    note(action, f"{proposal.kind} {proposal.key}, proposed by {proposal.by.username}: {state.label}", by=by)


def refusal_of(written: Sequence[Wording]) -> str:
    """Why somebody who wrote these words alone may not publish the procedure that uses them."""
    named = ", ".join(f"{row.get_kind_display()} {row.key}" for row in written[:SHOWN_ERRORS])
    return f"You alone wrote what this uses: {named}. A second person must read it and publish the revision."
