"""A shop seen by one person: what is theirs, what is somebody else's, and what is over (invented)."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Any

from shopkb.accounts.models import User
from shopkb.catalog.entry_kinds import KINDS
from shopkb.catalog.models import Caution, Proposal, SafetyKind
from shopkb.catalog.wordings import facts_of
from shopkb.jobs.actions import closing, handing_over, noting
from shopkb.jobs.models import Finding, Job, Photo, Repair, Run
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure, ProcedureRequest, Revision
from shopkb.procedures.requests import ask_for_procedure, settle
from shopkb.reports.figures.decisions import Decided
from shopkb.reports.figures.suggestions import Subject, SuggestionKind
from shopkb.reports.models import SuggestionDecision
from tests import builders
from tests.conftest import NOW

OWN, OTHER, ARCHIVED = "own", "other", "archived"
WHOSE = (OWN, OTHER, ARCHIVED)


@dataclass(frozen=True)
class Scene:
    """The start of an address's arguments, for each kind of thing and whose it is."""

    things: dict[tuple[str, str], tuple[Any, ...]]

    def arguments(self, kind: str, whose: str) -> tuple[Any, ...]:
        return self.things[kind, whose] if kind else ()


def make_scene(actor: User, mate: User, second: User, horn: Procedure) -> Scene:
    """Jobs, runs, repairs and revisions in every state, through the doors."""
    closed = builders.cured_job(horn, mate)
    jobs = {OWN: builders.take_in(actor), OTHER: builders.take_in(mate), ARCHIVED: closed}
    things: dict[tuple[str, str], tuple[Any, ...]] = {("job", whose): (job.pk,) for whose, job in jobs.items()}
    for whose in WHOSE:
        asked = ask_for_procedure(f"Nothing for {whose}.", None, by=mate, at=NOW, client_id=uuid.uuid4())
        things["request", whose] = (asked.pk,)
    settle(ProcedureRequest.objects.get(pk=things["request", ARCHIVED][0]), "Written.", by=mate, at=NOW)
    things |= {("vehicle", whose): (job.vehicle_id,) for whose, job in jobs.items()}
    things["comeback", ARCHIVED] = things["job", ARCHIVED]
    for whose, by in ((OWN, actor), (OTHER, mate)):
        things["comeback", whose] = (builders.take_in(by, comeback_of=builders.cured_job(horn, mate)).pk,)
        things["run", whose] = (_run(horn, by).pk,)
        things["repair", whose] = (_repair(by).pk,)
    over = closed.runs.get()
    Run.objects.filter(pk=over.pk).update(holder=actor)
    things["run", ARCHIVED] = (over.pk,)
    things["repair", ARCHIVED] = (closed.repairs.get().pk,)
    for whose in WHOSE:
        things["begun", whose] = (Run.objects.get(pk=things["run", whose][0]).client_id,)
    for state in (Revision.State.DRAFT, Revision.State.IN_REVIEW, Revision.State.PUBLISHED):
        for whose, author in ((OWN, actor), (OTHER, mate)):
            things[state.value, whose] = _revision(f"horn-{state.value}-{whose}", state, mate, second, author)
        things[state.value, ARCHIVED] = _withdrawn(f"horn-{state.value}-over", mate, second)
    for whose in WHOSE:
        things["procedure", whose] = things["published", whose][:1]
    things["old-run", OWN] = (_old_run(mate, second, actor).pk,)
    Caution.objects.filter(key="isolate-before-power").update(signal=Caution.Signal.DANGER)
    things["old-run", OTHER] = (_old_run(mate, second, mate).pk,)
    things["old-run", ARCHIVED] = things["run", ARCHIVED]
    _add_passing_on(things, horn, actor, mate, second)
    for whose, by in ((OWN, actor), (OTHER, mate), (ARCHIVED, mate)):
        things["finding", whose] = (_finding(by, over=whose == ARCHIVED).pk,)
    for whose, by, key in (
        (OWN, actor, "probe-terminals"),
        (OTHER, mate, "dead-circuit"),
        (ARCHIVED, mate, "isolate-before-power"),
    ):
        things["proposal", whose] = (_proposal(key, by, over=whose == ARCHIVED).pk,)
        things["wordings", whose] = ("caution", key)
    for whose, who in ((OWN, actor), (OTHER, mate), (ARCHIVED, mate)):
        things["person", whose] = (who.username,)
    for whose, to in ((OWN, actor), (OTHER, mate), (ARCHIVED, mate)):
        things["suggestion", whose] = (_suggestion(whose, to, over=whose == ARCHIVED),)
    for whose, kind in zip(WHOSE, ("meters", "vehicles", "systems"), strict=True):
        things["kind", whose] = (kind,)
        things["entry", whose] = (kind, KINDS[kind].model._default_manager.latest("pk").pk)
    return Scene(things)


def _add_passing_on(
    things: dict[tuple[str, str], tuple[Any, ...]], horn: Procedure, actor: User, mate: User, second: User
) -> None:
    """Runs on offer, answers that were just given, pictures whose file is gone."""
    for whose, giver, receiver in ((OWN, mate, actor), (OTHER, mate, second), (ARCHIVED, mate, actor)):
        words = handing_over.HandOverNote("End of the shift.", uuid.uuid4())
        offered = handing_over.hand_over(_run(horn, giver), receiver, words, by=giver, at=NOW)
        if whose == ARCHIVED:
            handing_over.accept(offered, by=receiver, at=NOW)
        things["hand-over", whose] = (offered.pk,)
    for whose, by in ((OWN, actor), (OTHER, mate)):
        run = _run(horn, by)
        things["answer", whose] = (run.pk, builders.follow(run, [("press", "click", "")], by)[0].pk)
    (over,) = things["run", ARCHIVED]
    things["answer", ARCHIVED] = (over, Run.objects.get(pk=over).results.latest("pk").pk)
    for whose in WHOSE:
        (job,) = things["job", whose]
        name = f"{whose}.jpg"
        Photo.objects.create(job_id=job, name=name, width=1, height=1, size=1, who=mate, at=NOW, client_id=uuid.uuid4())
        things["photo", whose] = (name,)


def _run(horn: Procedure, by: User) -> Run:
    return builders.start(builders.take_in(by), horn, by)


def _repair(by: User) -> Repair:
    return builders.mend(builders.take_in(by), by, cured=None)


def _finding(by: User, *, over: bool) -> Finding:
    """A finding that is open, or one that was declined on a job that is closed."""
    job = builders.take_in(by)
    found = noting.note_finding(job, "Plug is green", by=by, at=NOW, client_id=uuid.uuid4())
    if over:
        noting.settle_finding(found, noting.How.DECLINED, by=by, at=NOW, client_id=uuid.uuid4())
        closing.close_job(job, Job.Disposition.UNSOLVED, by=by, at=NOW)
    return found


def _proposal(key: str, by: User, *, over: bool) -> Proposal:
    """Other words for a caution. Who proposed them may have lost the right since."""
    caution = Caution.objects.get(key=key)
    facts = {**facts_of(caution), "text": f"Mind more: {key}."}
    decided = {"state": Proposal.State.TAKEN_BACK, "decided_by": by, "decided_at": NOW} if over else {}
    return Proposal.objects.create(
        kind=SafetyKind.CAUTION,
        key=key,
        based_on=caution.wording,
        facts=facts,
        why="Clearer.",
        by=by,
        at=NOW,
        **decided,
    )


def _suggestion(name: str, to: User, *, over: bool) -> str:
    """Address of one that was given to somebody, or done since."""
    subject = Subject(SuggestionKind.NO_PROCEDURE, "", "", name)
    for decided in (Decided.GIVEN, Decided.DONE)[: 2 if over else 1]:
        SuggestionDecision.objects.create(
            **subject._asdict(), decided=decided, person=to, said=f"9 jobs came in with {name}.", part=9, whole=0,
            by=to, at=NOW, client_id=uuid.uuid4(),
        )  # fmt: skip
    return subject.address


def _text(key: str) -> str:
    return builders.CONTROL_TEXT.replace("horn-control", key)


def _revision(key: str, state: Revision.State, mate: User, second: User, author: User) -> tuple[str, int]:
    """A revision in this state. Its author may have lost the right to write since."""
    revision = publishing.start_draft(builders.flow_from(_text(key)), by=mate, at=NOW)
    if state is Revision.State.IN_REVIEW:
        publishing.ask_for_review(revision, by=mate)
    elif state is Revision.State.PUBLISHED:
        publishing.publish(revision, by=second, at=NOW)
    Revision.objects.filter(pk=revision.pk).update(author=author)
    revision.writers.set([author])
    return key, revision.number


def _withdrawn(key: str, mate: User, second: User) -> tuple[str, int]:
    revision = publishing.start_draft(builders.flow_from(_text(key)), by=mate, at=NOW)
    publishing.withdraw(publishing.publish(revision, by=second, at=NOW), by=second, at=NOW, why="Wrong limit.")
    return key, revision.number


_numbers = iter(range(1, 10_000))


def _old_run(mate: User, second: User, by: User) -> Run:
    """A run on a revision that was replaced meanwhile."""
    key = f"horn-moved-{next(_numbers)}"
    procedure = builders.put_in_force(_text(key), mate, second)
    run = builders.start(builders.take_in(by), procedure, by)
    builders.put_in_force(_text(key).replace("Look at the button", "Look at the horn button"), mate, second)
    return run
