"""What a device kept while the network was away: taken in order, each once, never lost.

The server decides what counts. An answer or a value that comes too late (it was given otherwise meanwhile, somebody
else holds the run, the procedure was left) is kept and shown, and does not move the run. The same item sent again gets
the same receipt.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from uuid import UUID

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Meter
from shopkb.core.flow.model import AskedValue, Step
from shopkb.core.readings.parsing import parse_reading
from shopkb.core.readings.quantities import ReadingError
from shopkb.jobs.actions.confirming import LONGEST_SHOWN, DangerConfirmation, pass_danger
from shopkb.jobs.actions.following import OTHER_ANSWER, OTHER_VALUE, lock_run, record, record_value
from shopkb.jobs.answering import MOST, Answer, read_answer
from shopkb.jobs.bounds import KEPT_ASIDE, require_room
from shopkb.jobs.errors import IdempotencyConflict, NotPossible, StepNotCurrent, Unreadable
from shopkb.jobs.idempotence import stored_before
from shopkb.jobs.log.event_log import log_row
from shopkb.jobs.log.hash_chain import Kind, storable
from shopkb.jobs.models import LateValue, Result, Retraction, Run, RunValue
from shopkb.jobs.run_results import effective_results
from shopkb.procedures.storing import flow_of

GIVEN_LOCKED = "Given while the tablet was locked."
"""What stands with an answer that somebody said afterwards was theirs."""
JUDGED_LATER = "Answered without the network; the reading was judged later."


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of one item: it counts, or it is kept aside and ``why`` says what came before it."""

    counts: bool = True
    why: str = ""


def receive(run: Run, item: Mapping[str, str], *, by: User, at: datetime) -> Receipt:
    """Store one item of an outbox: an ``answer``, a ``value`` or a confirmed ``danger``.

    An ``answer`` to a step that was answered before counts only if ``replaces`` is the client id of that answer: its
    sender had seen it.

    Raises:
        Unreadable: it cannot be read; the device keeps it and shows why.
        IdempotencyConflict: its id was used for something else.
        NotPossible: nobody may record this on this run; the device keeps it.
    """
    require(by, Right.WORK)
    client_id = UUID(item["client_id"])
    given_locked = item.get("given_locked") == "yes"
    if item.get("kind") == "value":
        words = GIVEN_LOCKED if given_locked else ""
        return _value(run, item.get("key", ""), item.get("typed", "").strip(), client_id, by=by, at=at, words=words)
    if item.get("kind") == "danger" and given_locked:
        raise NotPossible("This was confirmed while the tablet was locked. Open the step and confirm it again.")
    if item.get("kind") == "danger":
        pass_danger(run, _confirmation(item, client_id), by=by, at=at)
        return Receipt()
    answer = read_answer(item.get("step", ""), client_id, item)
    if given_locked:
        answer = replace(answer, note=f"{GIVEN_LOCKED} {answer.note}".strip())
    # What a device kept is never lost: a meter that is no longer listed leaves the reading as exact.
    meter = Meter.objects.filter(key=item["meter"]).first() if item.get("meter") else None
    return _answer(run, replace(answer, meter=meter), item, by=by, at=at)


@transaction.atomic
def _value(run: Run, key: str, typed: str, client_id: UUID, *, by: User, at: datetime, words: str) -> Receipt:
    locked = lock_run(run)
    before = stored_before(
        LateValue.objects.all(),
        client_id,
        lambda row: (row.run_id, row.key, row.typed) == (locked.pk, key, typed),
        OTHER_VALUE,
    )
    if before is not None:
        return Receipt(counts=False, why=before.why)
    known = stored_before(RunValue.objects.all(), client_id)
    late = "" if known is not None or not locked.job.is_open else _value_too_late(locked, key, by)
    if not late:
        record_value(locked, key, typed, by=by, at=at, client_id=client_id, words=words)
        return Receipt()
    if not isinstance(flow_of(locked.revision).value_by_key.get(key), AskedValue):
        raise NotPossible(f"This procedure does not ask for a value called {key!r}.")
    require_room(locked.late_values.filter(who=by), KEPT_ASIDE, "Values of yours that came too late")
    late_value = LateValue.objects.create(
        run=locked, key=key, typed=typed, why=late[:300], who=by, at=at, client_id=client_id
    )
    log_row(locked.pk, Kind.LATE_VALUE, late_value, by=by, at=at, words=words)
    return Receipt(counts=False, why=late_value.why)


def _value_too_late(run: Run, key: str, by: User) -> str:
    """What came before this value, in words; a device asks for none that it knows of."""
    return _run_lost(run, by) or ("This value was given meanwhile." if run.values.filter(key=key).exists() else "")


def _confirmation(item: Mapping[str, str], client_id: UUID) -> DangerConfirmation:
    step, seconds = item.get("step", ""), item.get("shown_seconds", "")
    shown_seconds = min(int(seconds), LONGEST_SHOWN) if seconds.isdecimal() and len(seconds) < 12 else 0
    return DangerConfirmation(step, item.get("caution", "")[:60], shown_seconds, client_id, item.get("shown", ""))


def device_time(text: str) -> datetime | None:
    """When the device says it kept the item; nothing where it says no moment. Kept, never relied on."""
    try:
        moment = datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        return None
    return moment


@transaction.atomic
def _answer(run: Run, answer: Answer, item: Mapping[str, str], *, by: User, at: datetime) -> Receipt:
    locked = lock_run(run)
    before = stored_before(Result.objects.select_related("retraction"), answer.client_id)
    if before is not None:
        return _told_before(before, locked, answer, by=by, at=at)
    device_at = device_time(item.get("at", ""))
    late = _too_late(locked, answer, item.get("replaces", ""), by) if locked.job.is_open else ""
    if late:
        return _keep_aside(locked, answer, late, by=by, at=at, device_at=device_at)
    try:
        record(locked, answer, by=by, at=at, device_at=device_at)
    except StepNotCurrent as error:
        return _keep_aside(locked, answer, str(error), by=by, at=at, device_at=device_at)
    except (Unreadable, IdempotencyConflict):
        raise
    except NotPossible:
        if not answer.typed or answer.override_why:
            raise
        record(locked, replace(answer, override_why=JUDGED_LATER), by=by, at=at, device_at=device_at)
    return Receipt()


def _told_before(before: Result, run: Run, answer: Answer, *, by: User, at: datetime) -> Receipt:
    """The receipt of the first time."""
    if before.is_late:
        sent = (run.pk, answer.step, answer.outcome or answer.skipped, answer.typed.strip(), answer.note.strip())
        locked = (before.run_id, before.step, before.outcome or before.skipped, before.typed, before.note)
        if sent != locked:
            raise IdempotencyConflict(OTHER_ANSWER)
        return Receipt(counts=False, why=before.judgement)
    if before.override_why == JUDGED_LATER:
        answer = replace(answer, override_why=JUDGED_LATER)
    record(run, answer, by=by, at=at)
    return Receipt()


def _run_lost(run: Run, by: User) -> str:
    """Why nothing of this person's counts on this run any more, in words; empty if it does."""
    if run.holder_id != by.pk:
        return f"{run.holder} is following this procedure by now."
    if run.state == Run.State.STOPPED:
        return f"The procedure was left: {run.stopped_why}"
    if run.revision.withdrawn_for_safety:
        return f"The procedure was withdrawn for safety. {run.revision.withdrawn_why}"
    return ""


def _too_late(run: Run, answer: Answer, replaces: str, by: User) -> str:
    """What came before this answer, in words; empty if nothing did."""
    if lost := _run_lost(run, by):
        return lost
    flow = flow_of(run.revision)
    rows = list(run.results.not_retracted())
    standing = next((row for row in reversed(effective_results(flow, rows)) if row.step == answer.step), None)
    if standing is not None and str(standing.client_id) != replaces:
        return "This step was answered otherwise meanwhile."
    return ""


def _keep_aside(run: Run, answer: Answer, why: str, *, by: User, at: datetime, device_at: datetime | None) -> Receipt:
    """Keep a late answer as it was given, marked as not counting, with what came before it as its judgement."""
    step = flow_of(run.revision).step_by_key.get(answer.step)
    if step is None:
        raise NotPossible(f"This procedure has no step called {answer.step!r}.")
    keys = {outcome.key for outcome in step.outcomes}
    if not answer.outcome and not (answer.skipped in Result.Skip.values and answer.onward in keys):
        raise NotPossible("Choose one of the reasons offered for leaving this step out, and the way on.")
    if answer.outcome and answer.outcome not in keys:
        raise NotPossible("Choose one of the answers offered.")
    require_room(Result.objects.late().filter(run=run, who=by), KEPT_ASIDE, "Answers of yours that came too late")
    late = Result(
        run=run,
        step=step.key,
        outcome=answer.outcome,
        skipped="" if answer.outcome else answer.skipped,
        onward="" if answer.outcome else answer.onward,
        typed=answer.typed.strip(),
        judgement=why[:300],
        override_why=answer.override_why.strip(),
        meter=answer.meter,
        off_path=answer.off_path,
        note=answer.note.strip(),
        who=by,
        at=at,
        client_id=answer.client_id,
    )
    _put_reading(late, step, answer)
    late.save()
    aside = Retraction.objects.create(result=late, who=by, at=at, client_id=answer.client_id)
    log_row(run.pk, Kind.RESULT, late, by=by, at=at, device_at=device_at)  # counts for nothing: no note of cautions
    log_row(run.pk, Kind.RETRACTED, aside, by=by, at=at)
    return Receipt(counts=False, why=late.judgement)


def _put_reading(late: Result, step: Step, answer: Answer) -> None:
    """The reading in the step's unit, where it can be read; as typed it is kept anyway."""
    if step.reading is None or not late.typed:
        return
    try:
        reading = parse_reading(late.typed, step.reading.quantity, answer.unit or step.reading.unit)
    except ReadingError:
        return
    late.over_limit = reading.over_limit
    if reading.quantity is not None:
        value = reading.quantity.to(step.reading.unit)
        if abs(value.magnitude) < MOST:
            late.reading, late.unit = storable(value.magnitude), value.unit
