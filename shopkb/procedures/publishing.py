"""The one door for procedures: draft, review, publish, withdraw. Rights and checks are enforced here.

Every function takes who does it and when; each either does what its name says or raises.
"""

from __future__ import annotations

from datetime import datetime

from django.conf import settings
from django.db import transaction
from django.db.models import Max

from shopkb.accounts.audit import Action, note
from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.cause_registry import cause_for
from shopkb.catalog.facts import facts
from shopkb.catalog.models import Platform, Symptom, System
from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.fields import file_fields
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.findings import CheckFinding, Level
from shopkb.core.flow.model import Flow, Step
from shopkb.procedures.catalog_paths import with_current_platforms
from shopkb.procedures.models import DraftState, Procedure, Remark, Review, Revision
from shopkb.procedures.safety_words import refusal_of, written_alone
from shopkb.procedures.storing import NotReadBack, checksum, flow_of, require_readable, store_flow

State = Revision.State

STATES_KEPT = 100
"""Earlier states of a draft that can be brought back."""


class ActionRefused(Exception):
    """What was asked is not possible as things stand; the sentence says why and what would be."""


class RefusedByChecks(ActionRefused):
    """A revision with errors cannot be published. ``findings`` holds them."""

    def __init__(self, findings: tuple[CheckFinding, ...]) -> None:
        self.findings = findings
        count = len(findings)
        super().__init__(f"{count} error{'s' if count != 1 else ''} must be put right before this can be published.")


class EditConflict(ActionRefused):
    """Somebody else saved the draft since it was opened; nothing was overwritten."""


def findings_of(flow: Flow, *, further: frozenset[str] = frozenset()) -> tuple[CheckFinding, ...]:
    """All findings of the checks against the shop's catalog. ``further`` names procedures that are about to exist."""
    known = set(Procedure.objects.values_list("key", flat=True)) | {flow.procedure} | further
    return check_flow(flow, facts(known))


def errors_of(findings: tuple[CheckFinding, ...]) -> tuple[CheckFinding, ...]:
    return tuple(finding for finding in findings if finding.level is Level.ERROR)


@transaction.atomic
def start_draft(flow: Flow, *, by: User, at: datetime, why: str = "") -> Revision:
    """A new draft that says what ``flow`` says; the procedure is made if its key is new.

    Raises:
        ActionRefused: the system is not in the catalog, the procedure has a draft under way already, or ``flow`` would
            not be read back as it is.
        PermissionDenied: ``by`` may not write procedures.
    """
    require(by, Right.WRITE)
    _refuse_unreadable(flow)
    system = System.objects.filter(path=flow.system).first()
    if system is None:
        raise ActionRefused(f"There is no system {flow.system!r} in the catalog. Add it there, or choose another.")
    procedure, _made = Procedure.objects.get_or_create(
        key=flow.procedure, defaults={"title": flow.title, "system": system, "owner": by, "summary": flow.summary}
    )
    procedure = Procedure.objects.select_for_update().get(pk=procedure.pk)  # one new draft after the other
    waiting = procedure.revisions.filter(state__in=[State.DRAFT, State.IN_REVIEW]).first()
    if waiting is not None:
        raise ActionRefused(
            f"Revision {waiting.number} of this procedure is {waiting.get_state_display()} by {waiting.author}. "
            "Go on with that one, or withdraw it first."
        )
    newest = procedure.revisions.aggregate(newest=Max("number"))["newest"] or 0
    revision = Revision(procedure=procedure, number=newest + 1, author=by, created_at=at, why=why)
    store_flow(revision, flow)
    revision.writers.add(by)
    return revision


def draft_from(revision: Revision, *, by: User, at: datetime, why: str = "") -> Revision:
    """A new draft that starts as a copy of ``revision``, its platforms under today's names."""
    return start_draft(with_current_platforms(flow_of(revision), revision), by=by, at=at, why=why)


@transaction.atomic
def save_draft(revision: Revision, flow: Flow, *, by: User, based_on: str, why: str | None = None) -> Revision:
    """Put ``flow`` into the draft. ``based_on`` is the checksum the editor started from; ``why`` None is left as it is.

    Raises:
        EditConflict: the draft has another checksum by now.
        ActionRefused: the revision is no draft, or ``flow`` belongs to another procedure or would not be read back as
            it is.
    """
    require(by, Right.WRITE)
    _refuse_unreadable(flow)
    locked = Revision.objects.select_for_update(of=("self",)).select_related("procedure").get(pk=revision.pk)
    if not locked.may_change:
        raise ActionRefused(
            f"Revision {locked.number} is {locked.get_state_display()}; make a new draft from it instead."
        )
    if flow.procedure != locked.procedure.key:
        raise ActionRefused(
            f"The key of a procedure never changes: write {locked.procedure.key}, not {flow.procedure}."
        )
    if locked.checksum != based_on:
        raise EditConflict("This draft was saved by somebody else since you opened it. Both texts are kept below.")
    if why is not None:
        locked.why = why.strip()
    before = flow_of(locked)
    if before != flow:
        locked.earlier_states.filter(undone=True).delete()
        _keep_state(locked, before, by=by)
        locked.writers.add(by)
    store_flow(locked, flow)
    return locked


def _refuse_unreadable(flow: Flow) -> None:
    try:
        require_readable(flow)
    except NotReadBack as error:
        raise ActionRefused(f"This cannot be kept: {error}") from error


@transaction.atomic
def undo_draft(revision: Revision, *, by: User, based_on: str) -> Revision:
    """The draft as it was before it was last saved.

    Raises:
        EditConflict: the draft has another checksum by now.
        ActionRefused: the revision is no draft, or there is nothing to undo.
    """
    return _brought_back(revision, by=by, based_on=based_on, undone=False)


@transaction.atomic
def redo_draft(revision: Revision, *, by: User, based_on: str) -> Revision:
    """The draft as it was before the last undoing; possible until it is saved again.

    Raises:
        EditConflict, ActionRefused: as for :func:`undo_draft`.
    """
    return _brought_back(revision, by=by, based_on=based_on, undone=True)


def _brought_back(revision: Revision, *, by: User, based_on: str, undone: bool) -> Revision:
    require(by, Right.WRITE)
    locked = _locked(revision, State.DRAFT)
    if locked.checksum != based_on:
        raise EditConflict("Somebody else saved this draft meanwhile. Look at it before you undo anything.")
    last = locked.earlier_states.filter(undone=undone).last()
    flow = read_flow(last.text).flow if last else None
    if last is None or flow is None:
        raise ActionRefused("There is nothing to do again." if undone else "There is nothing to undo.")
    _keep_state(locked, flow_of(locked), by=by, undone=not undone)
    store_flow(locked, flow)
    locked.writers.add(by)
    last.delete()
    return locked


def _keep_state(revision: Revision, flow: Flow, *, by: User, undone: bool = False) -> None:
    """Remember what the draft says now, ``flow``, and forget what is too long ago."""
    text = write_flow(flow)
    DraftState.objects.create(revision=revision, text=text, checksum=revision.checksum, by=by, undone=undone)
    kept = list(revision.earlier_states.order_by("-pk").values_list("pk", flat=True)[:STATES_KEPT])
    revision.earlier_states.exclude(pk__in=kept).delete()


def state_based_on(revision: Revision, based_on: str) -> Flow | None:
    """What the draft said when it had this checksum; ``None`` when that is no longer known."""
    state = revision.earlier_states.filter(checksum=based_on).last()
    return read_flow(state.text).flow if state else None


@transaction.atomic
def remark(revision: Revision, step: str, text: str, *, by: User, at: datetime, field: str = "") -> Remark:
    """Say something about a step of a draft or of a revision in review, or about one ``field`` of the step.

    Raises:
        ActionRefused: nothing was said, there is no such step or field, or the revision is past review.
    """
    require(by, Right.WRITE)
    locked = _locked(revision, State.DRAFT, State.IN_REVIEW)
    if not text.strip():
        raise ActionRefused("Write what you want to say about this step.")
    if step not in flow_of(locked).step_by_key:
        raise ActionRefused("This step is no longer in the revision.")
    if field and field not in remark_fields(flow_of(locked).step_by_key[step]):
        raise ActionRefused("This step has no such field any more. Choose another, or the step as a whole.")
    return Remark.objects.create(revision=locked, step=step, field=field, text=text.strip(), by=by, at=at)


def remark_fields(step: Step) -> dict[str, str]:
    """What a remark can be about, by the name it is kept under: the fields of a step and its outcomes, as the desk
    calls them."""
    fields = {each.name: each.spec.label for each in file_fields(Step) if each.name != "outcomes"}
    return fields | {f"outcomes.{outcome.key}": f"“{outcome.label}”" for outcome in step.outcomes}


def settle_remark(revision: Revision, remark_id: int, *, by: User) -> None:
    """A remark is dealt with; it stays readable."""
    require(by, Right.WRITE)
    revision.remarks.filter(pk=remark_id).update(settled=True)


@transaction.atomic
def ask_for_review(revision: Revision, *, by: User) -> None:
    """Draft to review.

    Raises:
        ActionRefused: the revision is no draft.
        RefusedByChecks: it has errors.
    """
    require(by, Right.WRITE)
    locked = _locked(revision, State.DRAFT)
    errors = errors_of(findings_of(flow_of(locked)))
    if errors:
        raise RefusedByChecks(errors)
    locked.state = State.IN_REVIEW
    locked.save(update_fields=["state"])


@transaction.atomic
def send_back(revision: Revision, *, by: User, at: datetime, why: str) -> None:
    """Review to draft, with the reason kept, and with what it said then."""
    require(by, Right.PUBLISH)
    locked = _locked(revision, State.IN_REVIEW)
    Review.objects.create(revision=locked, text=write_flow(flow_of(locked)), by=by, at=at)
    locked.state = State.DRAFT
    locked.why = f"{locked.why}\n\nSent back by {by}: {why}".strip()
    locked.save(update_fields=["state", "why"])
    note(Action.SENT_BACK, f"{locked.procedure.key}, revision {locked.number}", by=by)


@transaction.atomic
def publish(revision: Revision, *, by: User, at: datetime) -> Revision:
    """Put the revision in force; the one before it is replaced. Jobs under way keep theirs.

    Raises:
        ActionRefused: it is neither draft nor in review, or ``by`` saved some part of it, or of the safety words it
            uses, which nobody else would then have reviewed.
        RefusedByChecks: it has errors.
    """
    require(by, Right.PUBLISH)
    locked = _locked(revision, State.DRAFT, State.IN_REVIEW)
    if settings.REVIEW_BY_SECOND_PERSON and locked.writers.filter(pk=by.pk).exists():
        raise ActionRefused(_needs_another(locked, by))
    flow = flow_of(locked)
    if settings.REVIEW_BY_SECOND_PERSON and (written := written_alone(flow, by)):
        raise ActionRefused(refusal_of(written))
    errors = errors_of(findings_of(flow))
    if errors:
        raise RefusedByChecks(errors)
    locked.procedure.revisions.filter(state=State.PUBLISHED).update(state=State.REPLACED)
    locked.state = State.PUBLISHED
    locked.reviewer = by
    locked.published_at = at
    locked.checksum = checksum(flow)
    locked.save(update_fields=["state", "reviewer", "published_at", "checksum"])
    _put_in_force(locked.procedure, flow)
    note(Action.PUBLISHED, f"{locked.procedure.key}, revision {locked.number}", by=by)
    return locked


@transaction.atomic
def withdraw(revision: Revision, *, by: User, at: datetime, why: str, for_safety: bool = False) -> None:
    """Take a revision out of use. One withdrawn for safety stops the runs that follow it (see jobs).

    Raises:
        ActionRefused: no reason was given, or it is withdrawn already.
    """
    require(by, Right.PUBLISH)
    if not why.strip():
        raise ActionRefused("Say why it is withdrawn: the people who followed it will read this.")
    locked = _locked(revision, State.DRAFT, State.IN_REVIEW, State.PUBLISHED, State.REPLACED)
    locked.state = State.WITHDRAWN
    locked.withdrawn_why = why.strip()
    locked.withdrawn_for_safety = for_safety
    locked.withdrawn_at = at
    locked.save(update_fields=["state", "withdrawn_why", "withdrawn_for_safety", "withdrawn_at"])
    safety = " for safety" if for_safety else ""
    note(Action.WITHDRAWN, f"{locked.procedure.key}, revision {locked.number}{safety}: {why.strip()}", by=by)


def _needs_another(revision: Revision, by: User) -> str:
    if revision.author_id == by.pk:
        return "A second person must review and publish what you wrote."
    return (
        "You saved part of this revision. Somebody who has written none of it must review and publish it. Next time "
        "send it back with what you would change, and publish it yourself."
    )


def import_flow(flow: Flow, *, by: User, at: datetime, why: str = "") -> Revision | None:
    """A draft from a procedure file; None if the newest revision says the same already.

    Raises:
        ActionRefused, PermissionDenied: as for :func:`start_draft`.
    """
    require(by, Right.WRITE)
    _refuse_unreadable(flow)
    newest = Revision.objects.filter(procedure__key=flow.procedure).order_by("-number").first()
    if newest is not None and newest.state != State.WITHDRAWN and newest.checksum == checksum(flow):
        return None
    return start_draft(flow, by=by, at=at, why=why)


def _locked(revision: Revision, *states: Revision.State) -> Revision:
    locked = Revision.objects.select_for_update(of=("self",)).select_related("procedure", "author").get(pk=revision.pk)
    if locked.state not in states:
        allowed = " or ".join(state.label for state in states)
        raise ActionRefused(
            f"Revision {locked.number} is {locked.get_state_display()}; this needs one that is {allowed}."
        )
    return locked


def _put_in_force(procedure: Procedure, flow: Flow) -> None:
    procedure.title = flow.title
    procedure.summary = flow.summary
    procedure.system = System.objects.get(path=flow.system)
    procedure.codes = list(flow.codes)
    procedure.save()
    procedure.symptoms.set(Symptom.objects.filter(key__in=flow.symptoms))
    procedure.platforms.set(Platform.objects.filter(path__in=flow.platforms))
    for cause in flow.causes:
        cause_for(cause.component, cause.mode)
