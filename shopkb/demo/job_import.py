"""The bulk door for jobs that are over: many at once, with the invariants of the one-by-one doors.

Past jobs are stored in chunks, each in a transaction of its own with the evidence it brings, so that nothing is half
learned and nobody waits long. The number of statements of a chunk does not grow with what its jobs hold, except for
SQLite's limit of values in one statement. Memory does not grow with the number of chunks.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums, take_back
from shopkb.core.diagnosis.counting.tallies import merge as merged
from shopkb.demo.past_job_rows import JobRows, Names, rows_of
from shopkb.demo.past_jobs import PastJob
from shopkb.evidence.learning import add_evidence, total_of
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.log.append_only import opened
from shopkb.jobs.log.chains_from_rows import job_chain, run_chain
from shopkb.jobs.models import DangerPassed, Event, Job, PutBack, Repair, Result, Run, RunValue, Vehicle, Verification
from shopkb.jobs.registrations import bare, bare_registration, normal_registration

CHUNK = 400
"""Jobs in one transaction: some tenths of a second on a small PC."""


@dataclass(frozen=True, slots=True)
class ImportCount:
    """How many past jobs were stored, with how many results, and how many were there before."""

    jobs: int = 0
    results: int = 0
    duplicates: int = 0

    def __add__(self, other: ImportCount) -> ImportCount:
        return ImportCount(self.jobs + other.jobs, self.results + other.results, self.duplicates + other.duplicates)


def import_past_jobs(jobs: Iterable[PastJob], *, by: User, chunk: int = CHUNK) -> Iterator[ImportCount]:
    """Store past jobs and add them to the tallies; yields the count after each chunk. A job given twice is stored once.

    They must come in the order in which they were opened, so that numbers follow time, and a comeback after the job
    that it came back from. Each procedure is the revision now in force.

    Raises:
        PermissionDenied: ``by`` may not run the shop's upkeep.
        NotPossible: a job is not what the doors would have let through; its chunk is not stored, those before are.
    """
    require(by, Right.UPKEEP)
    names = Names.read()
    coming = iter(jobs)
    done, latest = ImportCount(), None
    while batch := list(islice(coming, chunk)):
        for past in batch:
            if latest is not None and past.opened_at < latest:
                raise NotPossible(f"{past.name}: it was opened before the one before it. Give the oldest first.")
            latest = past.opened_at
        done += _store(batch, names)
        yield done


@transaction.atomic
def _store(batch: Sequence[PastJob], names: Names) -> ImportCount:
    ids = {past.client_id for past in batch}
    there = set(Job.objects.filter(client_id__in=ids).values_list("client_id", flat=True))
    fresh = {past.client_id: past for past in batch if past.client_id not in there}
    rows = [rows_of(past, names) for past in fresh.values()]
    earlier = _earlier_jobs(fresh.values())
    evidence_before = _evidence_of(earlier)
    _store_vehicles(rows)
    _store_jobs(rows, {job.client_id: job for job in earlier})
    _store_runs(rows)
    _store_repairs(rows)
    Event.objects.bulk_create(event for row in rows for event in _events_of(row))
    add_evidence(merged([take_back(evidence_before), _evidence_of([*earlier, *(row.job for row in rows)])]))
    results = sum(len(run.results) for row in rows for run in row.runs)
    return ImportCount(len(rows), results, len(batch) - len(rows))


def _events_of(row: JobRows) -> Iterator[Event]:
    """The chains of a stored past job and of its runs."""
    runs = [run_chain(run.run, run.values, run.results, run.dangers, run.put_back) for run in row.runs]
    for events in runs:
        yield from events
    repairs = [(part.repair, part.also) for part in row.repairs]
    yield from job_chain(row.job, repairs, [part.verification for part in row.repairs], runs)


def _evidence_of(jobs: Sequence[Job]) -> dict[TallyKey, TallySums]:
    if not jobs:
        return {}
    return total_of(closed_cases(Job.objects.filter(pk__in=[job.pk for job in jobs])))


def _earlier_jobs(batch: Iterable[PastJob]) -> list[Job]:
    """Stored jobs that jobs of this batch came back from; locked, as their evidence is about to change."""
    wanted = {past.comeback_of for past in batch if past.comeback_of is not None}
    if not wanted:
        return []
    return list(Job.objects.select_for_update(of=("self",)).select_related("vehicle").filter(client_id__in=wanted))


def _store_vehicles(rows: Sequence[JobRows]) -> None:
    """The vehicles, made where they are new; what is known of one already stays. Registrations are compared as
    everywhere: however blanks and hyphens were written. One query, and one where any is new."""
    first = {bare_registration(row.past.registration): row for row in reversed(rows)}
    stored = Vehicle.objects.alias(bare=bare("registration")).filter(bare__in=first).order_by("pk")
    so_written = {vehicle.registration: vehicle for vehicle in stored}
    vehicles = {bare_registration(vehicle.registration): vehicle for vehicle in stored}
    made = Vehicle.objects.bulk_create(
        Vehicle(
            registration=normal_registration(row.past.registration), vin=row.past.vin, platform_id=row.job.platform_id,
            year=row.past.year,
        )
        for plate, row in first.items()
        if plate not in vehicles
    )  # fmt: skip
    vehicles |= {bare_registration(vehicle.registration): vehicle for vehicle in made}
    for row in rows:
        named = row.past.registration
        row.job.vehicle = so_written.get(normal_registration(named)) or vehicles[bare_registration(named)]


def _store_jobs(rows: Sequence[JobRows], stored: dict[object, Job]) -> None:
    """Jobs, then the links of comebacks: an earlier job of the same batch has a number only now."""
    Job.objects.bulk_create(row.job for row in rows)
    known = stored | {row.job.client_id: row.job for row in rows}
    linked = [row.job for row in rows if row.past.comeback_of is not None]
    for row in rows:
        if row.past.comeback_of is not None:
            row.job.comeback_of = _checked_earlier(row, known.get(row.past.comeback_of))
    Job.objects.bulk_update(linked, ["comeback_of"])


def _checked_earlier(row: JobRows, earlier: Job | None) -> Job:
    if earlier is None:
        raise NotPossible(f"{row.past.name}: the job that it came back from is not stored. Store that one first.")
    if earlier.is_open or earlier.closed_at is None or earlier.closed_at > row.past.opened_at:
        raise NotPossible(f"{row.past.name}: {earlier} was not closed yet when it came back.")
    if earlier.vehicle_id != row.job.vehicle_id:
        raise NotPossible(f"{row.past.name}: {earlier} was another vehicle ({earlier.vehicle}).")
    return earlier


def _store_runs(rows: Sequence[JobRows]) -> None:
    runs = [run for row in rows for run in row.runs]
    for row in rows:
        for run in row.runs:
            run.run.job = row.job
    Run.objects.bulk_create(run.run for run in runs)
    handed_over = []
    for row in rows:
        for run, source in zip(row.runs, row.past.runs, strict=True):
            if source.came_from is not None:
                run.run.came_from = row.runs[source.came_from].run
                handed_over.append(run.run)
    Run.objects.bulk_update(handed_over, ["came_from"])
    for run in runs:
        parts: tuple[RunValue | Result | DangerPassed | PutBack, ...]
        parts = (*run.values, *run.results, *run.dangers, *run.put_back)
        for part in parts:
            part.run = run.run
    RunValue.objects.bulk_create(value for run in runs for value in run.values)
    Result.objects.bulk_create(result for run in runs for result in run.results)
    for run in runs:
        for back in run.put_back:
            back.after = run.results[-1].pk
    DangerPassed.objects.bulk_create(danger for run in runs for danger in run.dangers)
    PutBack.objects.bulk_create(part for run in runs for part in run.put_back)
    replacing = []
    for run in runs:
        for result, earlier in zip(run.results, run.replaces, strict=True):
            if earlier is not None:
                result.replaces = run.results[earlier]
                replacing.append(result)
    if replacing:
        with opened():  # the rows were stored a moment ago, in this transaction
            Result.objects.bulk_update(replacing, ["replaces"])


def _store_repairs(rows: Sequence[JobRows]) -> None:
    repairs = [repair for row in rows for repair in row.repairs]
    for row in rows:
        for part in row.repairs:
            part.repair.job = row.job
            if part.found_at is not None:
                run, result = part.found_at
                part.repair.result = row.runs[run].results[result]
    Repair.objects.bulk_create(part.repair for part in repairs)
    for part in repairs:
        part.verification.repair = part.repair
    Verification.objects.bulk_create(part.verification for part in repairs)
    link = Repair.also.through
    link.objects.bulk_create(link(repair_id=part.repair.pk, cause_id=cause) for part in repairs for cause in part.also)
