"""Whether the event log is whole: each hash follows from the one before, and each row says what it said when logged."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby, islice
from operator import attrgetter

from django.db import models

from shopkb.jobs.log.hash_chain import EventData, Kind, digest_of, event_hash
from shopkb.jobs.models import (
    DangerPassed,
    Event,
    Finding,
    HandOver,
    Job,
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

BATCH = 500
OF_RUN: dict[str, tuple[type[models.Model], str]] = {
    Kind.STARTED: (Run, "pk"),
    Kind.VALUE: (RunValue, "run"),
    Kind.LATE_VALUE: (LateValue, "run"),
    Kind.DANGER: (DangerPassed, "run"),
    Kind.RESULT: (Result, "run"),
    Kind.RETRACTED: (Retraction, "result__run"),
    Kind.OFFERED: (HandOver, "run"),
    Kind.PUT_BACK: (PutBack, "run"),
}
OF_JOB: dict[str, tuple[type[models.Model], str]] = {
    Kind.REPAIR: (Repair, "job"),
    Kind.PART: (RepairPart, "repair__job"),
    Kind.AGAIN: (MeasuredAgain, "repair__job"),
    Kind.FINDING: (Finding, "job"),
    Kind.SETTLED: (Settlement, "finding__job"),
    Kind.VERIFIED: (Verification, "repair__job"),
}
"""Rows that an event tells of, by its kind, and the way from the row to its chain."""


@dataclass(frozen=True, slots=True)
class BrokenChain:
    """The first event or row of a chain that is not as it was."""

    place: str
    message: str


@dataclass(frozen=True, slots=True)
class ChainEnds:
    """How many chains there are, and the SHA-256 over the last hash of each: equal after a move or a restore."""

    chains: int
    events: int
    digest: str


def broken_chains(alias: str = "default") -> Iterator[BrokenChain]:
    """For each chain that is not whole, the first thing that is wrong. Memory does not grow with the shop."""
    for runs in _batches(
        Run.objects.using(alias).order_by("pk").values_list("pk", flat=True).iterator(chunk_size=BATCH)
    ):
        events = Event.objects.using(alias).filter(run__in=runs).order_by("run", "number")
        yield from _walk(events, "run", _digests(OF_RUN, runs, alias))
    for jobs in _batches(
        Job.objects.using(alias).order_by("pk").values_list("pk", flat=True).iterator(chunk_size=BATCH)
    ):
        events = Event.objects.using(alias).filter(job__in=jobs).order_by("job", "number")
        yield from _walk(events, "job", _digests(OF_JOB, jobs, alias))
        yield from _cut_off(jobs, alias)


def chain_ends(alias: str = "default") -> ChainEnds:
    """The last hash of every chain, in the order of runs and jobs, as one figure."""
    digest, chains, count = hashlib.sha256(), 0, 0
    for name in ("run", "job"):
        rows = Event.objects.using(alias).filter(**{f"{name}__isnull": False}).order_by(name, "number")
        for _chain, events in groupby(rows.values_list(name, "number", "hash").iterator(), key=lambda row: row[0]):
            for event in events:
                last, count = event, count + 1
            digest.update(f"{name} {last[0]} {last[1]} {last[2]}\n".encode())
            chains += 1
    return ChainEnds(chains, count, digest.hexdigest())


def _walk(
    events: models.QuerySet[Event], name: str, rows: dict[tuple[str, int], tuple[int, str]]
) -> Iterator[BrokenChain]:
    """``rows``: for each kind and number of a row, its chain and the digest of what it says now."""
    wrong: set[int] = set()
    for chain, chain_events in groupby(events, key=attrgetter(f"{name}_id")):
        found, before = None, ""
        for place, event in enumerate(chain_events, start=1):
            kind = Kind.OFFERED if event.kind == Kind.TAKEN_OVER else event.kind
            row = rows.pop((kind, event.record or 0), None)
            found = found or _wrong_with(event, place, before, row, has_row=(kind in OF_RUN or kind in OF_JOB))
            before = event.hash
        if found:
            wrong.add(chain)
            yield BrokenChain(f"{name} {chain}", found)
    for (kind, number), (chain, _digest) in sorted(rows.items(), key=lambda item: (item[1][0], item[0])):
        if chain not in wrong:
            wrong.add(chain)
            yield BrokenChain(
                f"{name} {chain}", f"Its {_named(kind, number)} is in no event: it was put in behind the doors."
            )


def _wrong_with(event: Event, place: int, before: str, row: tuple[int, str] | None, *, has_row: bool) -> str | None:
    if event.number != place:
        return f"Its event {place} is missing."
    data = EventData(event.kind, event.who_id, event.at, event.record, event.digest, event.words, event.device_at)
    if event_hash((event.run_id, event.job_id), event.number, before, data) != event.hash:
        return f"Its event {place} ({event.get_kind_display()}) or the one before it was changed."
    if not has_row:
        return None
    if row is None:
        return f"The {_named(event.kind, event.record or 0)} of its event {place} is gone."
    if row[1] != event.digest:
        return f"The {_named(event.kind, event.record or 0)} of its event {place} was changed."
    return None


def _named(kind: str, number: int) -> str:
    model = (OF_RUN | OF_JOB)[Kind.OFFERED if kind == Kind.TAKEN_OVER else kind][0]
    return f"{model._meta.verbose_name} {number}"


def _digests(
    kinds: dict[str, tuple[type[models.Model], str]], chains: list[int], alias: str
) -> dict[tuple[str, int], tuple[int, str]]:
    found: dict[tuple[str, int], tuple[int, str]] = {}
    for kind, (model, way) in kinds.items():
        rows = model._base_manager.using(alias).filter(**{f"{way}__in": chains}).annotate(chain=models.F(way))
        if kind == Kind.REPAIR:
            rows = rows.prefetch_related("also")
        for row in rows:
            also = [cause.pk for cause in row.also.all()] if kind == Kind.REPAIR else ()
            found[kind, row.pk] = (row.chain, digest_of(kind, row, also))
    return found


def _cut_off(jobs: list[int], alias: str) -> Iterator[BrokenChain]:
    """Runs whose chain is shorter than, or another one than, it was when its job was closed."""
    closings = Event.objects.using(alias).filter(job__in=jobs, kind=Kind.CLOSED).order_by("job", "number")
    ends = [
        (int(run), int(number), last_hash)
        for words in closings.values_list("words", flat=True)
        for run, number, last_hash in (line.split() for line in words.splitlines()[1:])
    ]
    there = set(
        Event.objects.using(alias)
        .filter(run__in={run for run, _number, _seal in ends})
        .values_list("run", "number", "hash")
    )
    for run, number, last_hash in ends:
        if (run, number, last_hash) not in there:
            yield BrokenChain(
                f"run {run}", f"Its event {number}, the last when its job was closed, is gone or another."
            )


def _batches(numbers: Iterable[int]) -> Iterator[list[int]]:
    coming = iter(numbers)
    while batch := list(islice(coming, BATCH)):
        yield batch
