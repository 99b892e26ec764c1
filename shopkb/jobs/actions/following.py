"""The one door for following a procedure: start, answer, replace, undo, skip, stop.

Results are append-only. The same client id posted twice is stored once, and the second answer is the same as the first.
The server decides which step may be answered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.facts import remembered_facts
from shopkb.core.flow.checks.step_hazards import HAZARDS, riskier_ways
from shopkb.core.flow.model import AskedValue, Flow, Step
from shopkb.core.flow.walk import Walk
from shopkb.core.readings.parsing import parse_reading
from shopkb.core.readings.quantities import ReadingError
from shopkb.jobs.actions.noting import state_finding
from shopkb.jobs.answering import Answer, fill, read_value, seconds_since, values_for
from shopkb.jobs.bounds import RUNS, require_room
from shopkb.jobs.dangers import cautions_in_force, danger_due
from shopkb.jobs.errors import IdempotencyConflict, NotPossible, StepNotCurrent, UnknownStep
from shopkb.jobs.idempotence import stored_before
from shopkb.jobs.log.event_log import log_row, log_text
from shopkb.jobs.log.hash_chain import Kind, storable
from shopkb.jobs.models import Job, Result, Retraction, Run, RunValue
from shopkb.jobs.run_results import standing_results, walk_of
from shopkb.jobs.shown_words import shown
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of

OTHER_ANSWER = "This answer was sent before with another content. Reload the page and answer again."
OTHER_VALUE = "This was sent before with another value. Reload the page and enter it again."
"""Why what comes a second time with the same client id is refused."""

UNSAFE = (Result.Skip.NOT_SAFE, Result.Skip.WOULD_DAMAGE)
"""Reasons for leaving a step out after which the way on may not be less safe."""


@dataclass(frozen=True, slots=True)
class StoredResult:
    """A stored result; ``duplicate`` when the same answer was posted before."""

    result: Result
    duplicate: bool = False


@transaction.atomic
def start_run(
    job: Job,
    procedure: Procedure,
    *,
    by: User,
    at: datetime,
    client_id: UUID,
    came_from: Run | None = None,
    kept: Revision | None = None,
    device_at: datetime | None = None,
) -> Run:
    """Begin following the procedure's revision in force.

    ``kept``: the revision that a device without the network had begun with at ``device_at``; it is followed even if a
    newer one is in force by now, as it would be with the network; not where that was withdrawn.

    Raises:
        NotPossible: the job is closed, no revision is in force, or the one that was begun with was withdrawn.
        IdempotencyConflict: the client id was used to start something else.
    """
    require(by, Right.WORK)
    locked = Job.objects.select_for_update().get(pk=job.pk)
    before = stored_before(
        Run.objects.select_related("revision"),
        client_id,
        lambda row: (row.job_id, row.revision.procedure_id) == (locked.pk, procedure.pk),
        "Another procedure was started with this. Reload the page and choose again.",
    )
    if before is not None:
        return before
    if not locked.is_open:
        raise NotPossible(f"{locked} is closed. Reopen it, or open a new job as its comeback.")
    revision = _revision_to_follow(procedure, kept)
    require_room(locked.runs.all(), RUNS, "Procedures followed on this job")
    run = Run.objects.create(
        job=locked, revision=revision, holder=by, started_at=at, client_id=client_id, came_from=came_from
    )
    log_row(run.pk, Kind.STARTED, run, by=by, at=at, device_at=device_at, words=f"revision {revision.number}")
    return run


def _revision_to_follow(procedure: Procedure, kept: Revision | None) -> Revision:
    states = Revision.State
    in_force = Revision.objects.filter(procedure=procedure, state=states.PUBLISHED).first()
    if kept is not None and (withdrawn := kept if kept.state == states.WITHDRAWN else _withdrawn_since(kept, in_force)):
        why = "withdrawn for safety" if withdrawn.withdrawn_for_safety else "withdrawn"
        which = "The revision of" if withdrawn == kept else "A newer revision than the one of"
        raise NotPossible(
            f"{which} {procedure.title!r} that was kept on this device is {why}. {withdrawn.withdrawn_why} "
            "Begin again with the network."
        )
    if kept is not None and kept.state == states.REPLACED and in_force is not None:
        return kept
    if in_force is None:
        raise NotPossible(f"No revision of {procedure.title!r} is published, so it cannot be followed.")
    return in_force


def _withdrawn_since(kept: Revision, in_force: Revision | None) -> Revision | None:
    """The newest revision that replaced this one and was withdrawn, where none is in force any more: what was wrong
    with it may be wrong with the one before too, and nobody has put another in its place."""
    if in_force is not None:
        return None
    newer = kept.procedure.revisions.filter(
        state=Revision.State.WITHDRAWN, number__gt=kept.number, published_at__isnull=False
    )
    return newer.order_by("number").last()


@transaction.atomic
def record(run: Run, answer: Answer, *, by: User, at: datetime, device_at: datetime | None = None) -> StoredResult:
    """Store one answer. ``device_at``: when the device says it was given, if it was kept there.

    Raises:
        StepNotCurrent: the step may not be answered now.
        Unreadable: the reading cannot be read as what the step measures.
        NotPossible: an override without a reason, an unknown outcome, somebody else's run, a stopped revision.
        IdempotencyConflict: the client id was used for another answer.
    """
    require(by, Right.WORK)
    locked = lock_run(run)
    stored = Result.objects.filter(Q(run=locked) | Q(client_id=answer.client_id)).select_related("retraction")
    known = list(stored.order_by("pk"))
    before = next((row for row in known if row.client_id == answer.client_id), None)
    if before is not None:
        return _same(before, locked, answer)
    require_may_go_on(locked, by)
    flow = flow_of(locked.revision)
    rows = [row for row in known if not hasattr(row, "retraction")]
    walk = walk_of(flow, rows)
    step = _allowed_step(flow, walk, rows, answer)
    _not_into_danger(flow, step, answer)
    done = {row.step for row in rows if row.outcome}
    cautions, still = cautions_in_force(flow, step, done)
    asked = not answer.skipped
    danger = danger_due(locked, flow, step, cautions, by=by, at=at, as_worded=device_at is None) if asked else None
    if danger is not None:
        raise NotPossible(f"First confirm the danger of this step: {danger.title}.")
    result = Result(run=locked, step=step.key, who=by, at=at, client_id=answer.client_id, note=answer.note.strip())
    result.off_path = answer.off_path
    result.replaces = next((row for row in reversed(standing_results(flow, rows, walk)) if row.step == step.key), None)
    fill(result, step, answer, values_for(locked, flow, step))
    result.seconds = seconds_since(locked, rows, step, by, at)
    result.save()
    words = shown([*cautions, *still], answer.shown)
    log_row(locked.pk, Kind.RESULT, result, by=by, at=at, device_at=device_at, words=words)
    if result.outcome and (words := step.outcome(result.outcome).finding):
        state_finding(result, words, device_at)
    if answer.by_chance and answer.off_path and result.outcome:
        log_text(locked.pk, Kind.BY_CHANCE, step.title, by=by, at=at, record=result.pk)
    _settle(locked, walk_of(flow, [*rows, result], walk), at)
    return StoredResult(result)


def _not_into_danger(flow: Flow, step: Step, answer: Answer) -> None:
    """Whoever leaves a step out because it is not safe does not go on to one that is less safe. No query with the
    catalog remembered."""
    if answer.skipped not in UNSAFE:
        return
    more = riskier_ways(flow, step, remembered_facts()).get(answer.onward)
    if more:
        after = flow.step_by_key[step.outcome(answer.onward).go.key]
        raise NotPossible(
            f"You leave this step out as {Result.Skip(answer.skipped).label}, and that way leads to {after.title}, "
            f"with {' and '.join(HAZARDS[hazard] for hazard in sorted(more))}. Choose another way on, or leave the "
            "procedure here."
        )


@transaction.atomic
def record_value(
    run: Run, key: str, typed: str, *, by: User, at: datetime, client_id: UUID, words: str = ""
) -> RunValue:
    """Store a value that is asked once a run. ``words``: what is to be known of how it was given.

    Raises:
        Unreadable: it cannot be read, has the wrong quantity, or lies outside what can be true.
    """
    require(by, Right.WORK)
    locked = lock_run(run)
    before = stored_before(
        RunValue.objects.all(),
        client_id,
        lambda row: (row.run_id, row.key, row.typed) == (locked.pk, key, typed.strip()),
        OTHER_VALUE,
    )
    if before is not None:
        return before
    require_may_go_on(locked, by)
    value = flow_of(locked.revision).value_by_key.get(key)
    if not isinstance(value, AskedValue):
        raise NotPossible(f"This procedure does not ask for a value called {key!r}.")
    quantity = read_value(value, typed)
    stored = RunValue.objects.create(
        run=locked,
        key=key,
        typed=typed.strip(),
        magnitude=storable(quantity.magnitude),
        unit=quantity.unit,
        who=by,
        at=at,
        client_id=client_id,
    )
    log_row(locked.pk, Kind.VALUE, stored, by=by, at=at, words=words)
    return stored


@transaction.atomic
def retract(result: Result, *, by: User, at: datetime, client_id: UUID) -> Retraction:
    """Take the last answer back at once. It stays on record and no longer counts.

    Raises:
        NotPossible: it is not the last answer, is somebody else's, or the job is closed.
    """
    require(by, Right.WORK)
    locked = lock_run(result.run)
    before = stored_before(Retraction.objects.all(), client_id)
    if before is not None:
        return before
    require_may_go_on(locked, by)
    last = locked.results.not_retracted().last()
    if last is None or last.pk != result.pk or last.who_id != by.pk:
        raise NotPossible("Only your own last answer can be undone. Go back to the step and answer it again.")
    retraction = Retraction.objects.create(result=last, who=by, at=at, client_id=client_id)
    log_row(locked.pk, Kind.RETRACTED, retraction, by=by, at=at)
    # What the answer taken back had replaced counts again, and may be the end.
    _settle(locked, walk_of(flow_of(locked.revision), list(locked.results.not_retracted())), at)
    return retraction


def _settle(locked: Run, walk: Walk, at: datetime) -> None:
    """Under way or at its end, as the answers that count say."""
    state, ended_at = (Run.State.UNDER_WAY, None) if walk.current else (Run.State.ENDED, at)
    if (locked.state, locked.ended_at) != (state, ended_at):
        locked.state, locked.ended_at = state, ended_at
        locked.save(update_fields=["state", "ended_at"])


@transaction.atomic
def stop_run(run: Run, *, by: User, at: datetime, why: str) -> None:
    """Leave a procedure before its end, with the reason kept.

    Raises:
        NotPossible: no reason, somebody else's run, or the run has ended.
    """
    require(by, Right.WORK)
    if not why.strip():
        raise NotPossible("Say why the procedure is left here; the next person needs to know.")
    locked = lock_run(run)
    if locked.state == Run.State.STOPPED:
        return
    if locked.state == Run.State.ENDED:
        raise NotPossible("This procedure has come to its end, so there is nothing left to leave.")
    _must_hold(locked, by)
    locked.state, locked.stopped_why, locked.ended_at = Run.State.STOPPED, why.strip(), at
    locked.save(update_fields=["state", "stopped_why", "ended_at"])
    log_text(locked.pk, Kind.LEFT, locked.stopped_why, by=by, at=at)


@transaction.atomic
def move_to_newest(run: Run, *, by: User, at: datetime | None = None) -> Revision:
    """Go on with the revision now in force, keeping every result whose step and outcome it still has.

    Raises:
        NotPossible: the job is closed, the run was left or is somebody else's, or no other revision is in force.
    """
    require(by, Right.WORK)
    locked = lock_run(run)
    _still_open(locked)
    _must_hold(locked, by)
    newest = Revision.objects.filter(procedure=locked.revision.procedure, state=Revision.State.PUBLISHED).first()
    if newest is None or newest.pk == locked.revision_id:
        raise NotPossible("There is no newer published revision to move to.")
    now = at or timezone.now()
    locked.revision = newest
    locked.save(update_fields=["revision"])
    log_text(locked.pk, Kind.MOVED, f"revision {newest.number}", by=by, at=now)
    _settle(locked, walk_of(flow_of(newest), list(locked.results.not_retracted())), now)
    return newest


def lock_run(run: Run) -> Run:
    """The run with this primary key, read anew and locked: answers from two devices are taken one after the other.

    One query. It locks the job's row first and then the run's, in the order of ``of``: as closing does, so that no
    answer slips in behind what a closed job has taught, and neither waits for the other for ever.
    """
    return (
        Run.objects.select_for_update(of=("job", "self"))
        .select_related("job", "revision__procedure", "holder")
        .get(pk=run.pk)
    )


def require_may_go_on(run: Run, by: User) -> None:
    """Stop here unless this person holds the run, its job is open and its procedure not withdrawn for safety.

    Raises:
        NotPossible: with a sentence that says what is in the way.
    """
    if run.job.is_open and run.revision.withdrawn_for_safety:
        raise NotPossible(
            f"Stop: this procedure was withdrawn for safety. {run.revision.withdrawn_why} "
            "What you recorded so far is kept."
        )
    _still_open(run)
    _must_hold(run, by)


def _must_hold(run: Run, by: User) -> None:
    if run.holder_id != by.pk:
        raise NotPossible(f"{run.holder} is following this procedure. Take it over first, then answer.")


def _still_open(run: Run) -> None:
    if not run.job.is_open:
        raise NotPossible(f"{run.job} is closed; nothing more can be recorded on it.")
    if run.state == Run.State.STOPPED:
        raise NotPossible(f"This procedure was left: {run.stopped_why} Start it again from the job.")


def needed_first(flow: Flow, step: Step, rows: Sequence[Result]) -> list[Step]:
    """The steps that have to be answered before ``step`` may be done out of order; a step left out is not answered."""
    done = {row.step for row in rows if row.outcome}
    return [flow.step_by_key[key] for key in step.needs if key not in done and key in flow.step_by_key]


def _allowed_step(flow: Flow, walk: Walk, rows: list[Result], answer: Answer) -> Step:
    step = flow.step_by_key.get(answer.step)
    if step is None:
        raise UnknownStep(f"This procedure has no step called {answer.step!r}.", walk.current)
    if answer.off_path:
        missing = needed_first(flow, step, rows)
        if missing:
            titles = "; ".join(each.title for each in missing)
            raise StepNotCurrent(f"Before this step, do: {titles}.", walk.current)
        return step
    if step.key != walk.current and step.key not in {key for key, _route in walk.path}:
        now = flow.step_by_key.get(walk.current)
        doing = f"The step to do now is: {now.title}." if now else "This procedure has come to its end."
        raise StepNotCurrent(f"{step.title!r} is not on the route taken. {doing}", walk.current)
    return step


def _same(before: Result, run: Run, answer: Answer) -> StoredResult:
    """The reply for an answer sent before. What is not kept of an answer is not compared."""
    sent: tuple[object, ...] = (run.pk, answer.step, answer.skipped, answer.off_path, answer.note.strip())
    locked: tuple[object, ...] = (before.run_id, before.step, before.skipped, before.off_path, before.note)
    if answer.skipped:
        sent, locked = (*sent, answer.onward), (*locked, before.onward)
    else:
        sent, locked = (*sent, answer.outcome), (*locked, before.outcome)
    if sent != locked or not (answer.skipped or _same_reading(before, run, answer)):
        raise IdempotencyConflict(OTHER_ANSWER)
    return StoredResult(before, duplicate=True)


def _same_reading(before: Result, run: Run, answer: Answer) -> bool:
    step = flow_of(run.revision).step_by_key.get(answer.step)
    if step is None or step.reading is None:
        return True
    if before.override_why and before.override_why != answer.override_why.strip():
        return False
    if before.typed != answer.typed.strip():
        return False
    if before.reading is None:
        return True
    try:
        reading = parse_reading(answer.typed, step.reading.quantity, answer.unit or step.reading.unit)
    except ReadingError:
        return False
    kept = reading.quantity and round(reading.quantity.to(step.reading.unit).magnitude, 6)
    return kept == round(before.reading, 6)
