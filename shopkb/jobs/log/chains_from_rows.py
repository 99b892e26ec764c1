"""Event chains of jobs that are already over, computed from their stored rows. Nothing is written here."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from operator import attrgetter

from shopkb.jobs.event import Event
from shopkb.jobs.log.event_log import closing_text
from shopkb.jobs.log.hash_chain import EventData, Kind, chained, event_data
from shopkb.jobs.models import DangerPassed, Job, PutBack, Repair, Result, Run, RunValue, Verification


def run_chain(
    run: Run,
    values: Iterable[RunValue],
    results: Iterable[Result],
    dangers: Iterable[DangerPassed],
    put_back: Iterable[PutBack],
    more: Iterable[EventData] = (),
) -> list[Event]:
    """The chain of a run that is over, from its stored rows, by their times. Nothing is written."""
    data = [
        *(event_data(Kind.VALUE, row, who=row.who_id, at=row.at) for row in values),
        *(event_data(Kind.DANGER, row, who=row.who_id, at=row.at) for row in dangers),
        *(event_data(Kind.RESULT, row, who=row.who_id, at=row.at) for row in results),
        *more,
        *(event_data(Kind.PUT_BACK, row, who=row.who_id, at=row.at) for row in put_back),
    ]
    if run.state == Run.State.STOPPED:
        data.append(EventData(Kind.LEFT, run.holder_id, run.ended_at or run.started_at, words=run.stopped_why))
    first = event_data(Kind.STARTED, run, who=run.holder_id, at=run.started_at)
    return list(chained([first, *sorted(data, key=attrgetter("at"))], run=run.pk))


def job_chain(
    job: Job,
    repairs: Iterable[tuple[Repair, Sequence[int]]],
    verifications: Iterable[Verification],
    runs: Iterable[list[Event]],
) -> Iterator[Event]:
    """The chain of a job from its stored rows, the chains of its ``runs`` and how it was closed. Nothing is written."""
    data = [
        *(event_data(Kind.REPAIR, row, who=row.who_id, at=row.at, also=also) for row, also in repairs),
        *(event_data(Kind.VERIFIED, row, who=row.who_id, at=row.at) for row in verifications),
    ]
    data.sort(key=attrgetter("at"))
    if job.closed_by_id is not None and job.closed_at is not None:
        last = [events[-1] for events in runs if events]
        ends = {event.run_id: (event.number, event.hash) for event in last if event.run_id is not None}
        words = closing_text(job.disposition, ends)
        data.append(EventData(Kind.CLOSED, job.closed_by_id, job.closed_at, words=words))
    return chained(data, job=job.pk)
