"""The one door for the event log. Whoever writes here holds the lock of the run, or of the job, whose chain it is."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from operator import attrgetter

from shopkb.accounts.models import User
from shopkb.jobs.chain import Entry, Kind, entry, linked
from shopkb.jobs.event import Event
from shopkb.jobs.models import (
    DangerPassed,
    HandOver,
    Job,
    LateValue,
    PutBack,
    Repair,
    Result,
    Retraction,
    Run,
    RunValue,
    Verification,
)

OfRun = RunValue | LateValue | DangerPassed | Result | Retraction | HandOver | PutBack | Run
OfJob = Repair | Verification


def log_row(
    run: int, kind: Kind, row: OfRun, *, by: User, at: datetime, device_at: datetime | None = None, words: str = ""
) -> None:
    """Note a row that was just stored on this run. Two statements."""
    _append([replace(entry(kind, row, who=by.pk, at=at, words=words), device_at=device_at)], run=run)


def log_rows(run: int, kind: Kind, rows: Sequence[OfRun], *, by: User, at: datetime) -> None:
    """Note several rows of one kind."""
    _append([entry(kind, row, who=by.pk, at=at) for row in rows], run=run)


def log_words(run: int, kind: Kind, words: str, *, by: User, at: datetime, record: int | None = None) -> None:
    """Note on a run what no row of its own says."""
    _append([Entry(kind, by.pk, at, record, words=words)], run=run)


def log_on_job(job: int, kind: Kind, row: OfJob, *, by: User, at: datetime, also: Iterable[int] = ()) -> None:
    """Note a repair or a check of one."""
    _append([entry(kind, row, who=by.pk, at=at, also=also)], job=job)


def log_closed(job: int, disposition: str, *, by: User, at: datetime) -> None:
    """Note the closing, with the end of each run's chain: nothing can be cut off a run of a closed job unseen."""
    ends: dict[int, tuple[int, str]] = {}
    for run, number, seal in (
        Event.objects.filter(run__job=job).order_by("run", "number").values_list("run", "number", "hash")
    ):
        ends[run] = (number, seal)
    _append([Entry(Kind.CLOSED, by.pk, at, words=closing_words(disposition, ends))], job=job)


def log_reopened(job: int, *, by: User, at: datetime) -> None:
    _append([Entry(Kind.REOPENED, by.pk, at)], job=job)


def closing_words(disposition: str, ends: dict[int, tuple[int, str]]) -> str:
    """How the job was closed; then, a line each, a run, the number of its last event, and that event's hash."""
    return "\n".join([disposition, *(f"{run} {number} {seal}" for run, (number, seal) in sorted(ends.items()))])


def past_run(
    run: Run,
    values: Iterable[RunValue],
    results: Iterable[Result],
    dangers: Iterable[DangerPassed],
    put_back: Iterable[PutBack],
    more: Iterable[Entry] = (),
) -> list[Event]:
    """The chain of a run that is over, from its stored rows, by their times. Nothing is written."""
    told = [
        *(entry(Kind.VALUE, row, who=row.who_id, at=row.at) for row in values),
        *(entry(Kind.DANGER, row, who=row.who_id, at=row.at) for row in dangers),
        *(entry(Kind.RESULT, row, who=row.who_id, at=row.at) for row in results),
        *more,
        *(entry(Kind.PUT_BACK, row, who=row.who_id, at=row.at) for row in put_back),
    ]
    if run.state == Run.State.STOPPED:
        told.append(Entry(Kind.LEFT, run.holder_id, run.ended_at or run.started_at, words=run.stopped_why))
    first = entry(Kind.STARTED, run, who=run.holder_id, at=run.started_at)
    return list(linked([first, *sorted(told, key=attrgetter("at"))], run=run.pk))


def past_job(
    job: Job,
    repairs: Iterable[tuple[Repair, Sequence[int]]],
    verifications: Iterable[Verification],
    runs: Iterable[list[Event]],
) -> Iterator[Event]:
    """The chain of a job from its stored rows, the chains of its ``runs`` and how it was closed. Nothing is written."""
    told = [
        *(entry(Kind.REPAIR, row, who=row.who_id, at=row.at, also=also) for row, also in repairs),
        *(entry(Kind.VERIFIED, row, who=row.who_id, at=row.at) for row in verifications),
    ]
    told.sort(key=attrgetter("at"))
    if job.closed_by_id is not None and job.closed_at is not None:
        ends = {events[-1].run_id: (events[-1].number, events[-1].hash) for events in runs if events}
        words = closing_words(job.disposition, ends)
        told.append(Entry(Kind.CLOSED, job.closed_by_id, job.closed_at, words=words))
    return linked(told, job=job.pk)


def _append(entries: Sequence[Entry], *, run: int | None = None, job: int | None = None) -> None:
    if not entries:
        return
    chain = Event.objects.filter(run=run) if run is not None else Event.objects.filter(job=job)
    last = chain.order_by("-number").values_list("number", "hash").first() or (0, "")
    Event.objects.bulk_create(linked(entries, run=run, job=job, after=last))
