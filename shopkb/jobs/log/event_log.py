"""The one door for the event log. The caller holds the lock of the run, or of the job, whose chain is written."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from shopkb.accounts.models import User
from shopkb.jobs.event import Event
from shopkb.jobs.log.hash_chain import EventData, Kind, chained, event_data
from shopkb.jobs.models import (
    DangerPassed,
    Finding,
    HandOver,
    LateValue,
    MeasuredAgain,
    PutBack,
    Repair,
    RepairPart,
    Result,
    Retraction,
    Run,
    RunValue,
    Settlement,
    Verification,
)

OfRun = RunValue | LateValue | DangerPassed | Result | Retraction | HandOver | PutBack | Run
OfJob = Repair | RepairPart | MeasuredAgain | Verification | Finding | Settlement


def log_row(
    run: int, kind: Kind, row: OfRun, *, by: User, at: datetime, device_at: datetime | None = None, words: str = ""
) -> None:
    """Note a row that was just stored on this run. Two statements."""
    _append([replace(event_data(kind, row, who=by.pk, at=at, words=words), device_at=device_at)], run=run)


def log_rows(run: int, kind: Kind, rows: Sequence[OfRun], *, by: User, at: datetime) -> None:
    """Note several rows of one kind."""
    _append([event_data(kind, row, who=by.pk, at=at) for row in rows], run=run)


def log_text(run: int, kind: Kind, words: str, *, by: User, at: datetime, record: int | None = None) -> None:
    """Note on a run what no row of its own says."""
    _append([EventData(kind, by.pk, at, record, words=words)], run=run)


def log_on_job(
    job: int, kind: Kind, row: OfJob, *, by: User, at: datetime, device_at: datetime | None = None,
    also: Iterable[int] = (), words: str = "",
) -> None:  # fmt: skip
    """Note a repair, a check of one, or another fault."""
    data = event_data(kind, row, who=by.pk, at=at, also=also, words=words)
    _append([replace(data, device_at=device_at)], job=job)


def log_text_on_job(
    job: int, kind: Kind, words: str, *, by: User, at: datetime, device_at: datetime | None = None
) -> None:
    """Note on a job what no row of its own says."""
    _append([EventData(kind, by.pk, at, words=words, device_at=device_at)], job=job)


def log_closed(job: int, disposition: str, *, by: User, at: datetime) -> None:
    """Note the closing, with the end of each run's chain: nothing can be cut off a run of a closed job unseen."""
    ends: dict[int, tuple[int, str]] = {}
    for run, number, last_hash in (
        Event.objects.filter(run__job=job).order_by("run", "number").values_list("run", "number", "hash")
    ):
        ends[run] = (number, last_hash)
    _append([EventData(Kind.CLOSED, by.pk, at, words=closing_text(disposition, ends))], job=job)


def log_reopened(job: int, *, by: User, at: datetime) -> None:
    _append([EventData(Kind.REOPENED, by.pk, at)], job=job)


def closing_text(disposition: str, ends: dict[int, tuple[int, str]]) -> str:
    """How the job was closed; then, a line each, a run, the number of its last event, and that event's hash."""
    return "\n".join(
        [disposition, *(f"{run} {number} {last_hash}" for run, (number, last_hash) in sorted(ends.items()))]
    )


def _append(events: Sequence[EventData], *, run: int | None = None, job: int | None = None) -> None:
    if not events:
        return
    chain = Event.objects.filter(run=run) if run is not None else Event.objects.filter(job=job)
    last = chain.order_by("-number").values_list("number", "hash").first() or (0, "")
    Event.objects.bulk_create(chained(events, run=run, job=job, after=last))
