"""The one door for tallies: add, take back, rebuild.

Call it inside the transaction that closes, reopens or links a job, so that evidence and jobs cannot part.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from hashlib import sha256
from itertools import islice
from operator import attrgetter
from types import MappingProxyType

from django.db import connection, transaction
from django.db.models import Q, QuerySet

from shopkb.core.diagnosis.belief.reading_densities import StepDensities
from shopkb.core.diagnosis.belief.recalibration import NO_RECALIBRATION, Recalibration
from shopkb.core.diagnosis.counting.closed_case import ClosedCase
from shopkb.core.diagnosis.counting.tallies import Tallies, TallyKey, TallySums, contributions, merge, take_back
from shopkb.evidence.models import EvidenceLock, ReadingFit, StrengthFit, Tally
from shopkb.evidence.tally_log import TallyChange, record

KEY_FIELDS = ("procedure", "step", "outcome", "cause", "proof", "platform", "month", "position")
SUM_FIELDS = ("count", "timed", "seconds", "seconds_squared", "came_back", "rejected", "together", "cured_first")
CHUNK = 2000
RECOUNT = "recount"
"""Name of the row that a migration leaves where the tallies are to be counted again from the jobs."""


def key_of(row: Tally) -> TallyKey:
    return TallyKey(*(getattr(row, name) for name in KEY_FIELDS))


def sums_of(row: Tally) -> TallySums:
    return TallySums(*(getattr(row, name) for name in SUM_FIELDS))


@transaction.atomic
def learn(before: ClosedCase | None, after: ClosedCase | None) -> None:
    """Replace what a job said by what it says now. ``None`` on either side: it was or is not closed.

    A constant number of statements whatever the number of branches.
    """
    added, taken = (contributions(case) if case else {} for case in (after, before))
    _apply(TallyChange(added, taken))


@transaction.atomic
def add_evidence(tallies: Tallies) -> None:
    """Add another shop's tallies to this one's."""
    _apply(TallyChange(tallies, {}))


def stamp() -> int:
    """A number that grows with every change of the tallies; readers cache by it. One query."""
    found = EvidenceLock.objects.filter(pk="tallies").values_list("stamp", flat=True).first()
    return found or 0


def stamps(procedures: Collection[str]) -> dict[str, int]:
    """For each of these procedures a number that grows with every change of its own tallies. One query."""
    names = {_stamp_name(key): key for key in procedures}
    found = dict(EvidenceLock.objects.filter(pk__in=names).values_list("name", "stamp"))
    return {key: found.get(name, 0) for name, key in names.items()}


def stamp_of(procedure: str) -> QuerySet[EvidenceLock]:
    """The row whose ``stamp`` grows with every change of this procedure's tallies; none before the first."""
    return EvidenceLock.objects.filter(pk=_stamp_name(procedure))


@transaction.atomic
def follow_move(old: str, new: str, *, platforms: bool) -> None:
    """A platform, or a system, has another path: what was counted under it is kept under the new one, so that a job
    reopened afterwards takes back what it gave."""
    field, end = ("platform", "") if platforms else ("cause", "#")
    mine = Tally.objects.filter(
        Q(**{f"{field}__startswith": f"{old}/"}) | Q(**{f"{field}__startswith": f"{old}{end}"} if end else {field: old})
    )
    rows = iter(mine.order_by("pk"))
    while chunk := {key_of(row): sums_of(row) for row in islice(rows, CHUNK)}:
        there = {replace(key, **{field: new + getattr(key, field)[len(old) :]}): sums for key, sums in chunk.items()}
        _apply(TallyChange(there, chunk))


@transaction.atomic
def keep_strengths(
    strengths: Sequence[float],
    branch_weights: Sequence[float] = (),
    readings: Mapping[str, Mapping[str, StepDensities] | None] = MappingProxyType({}),
    *,
    at: datetime,
    as_of: str,
    procedures: int,
    verified_jobs: int,
) -> StrengthFit:
    """Store a fit; figures read from now on use it. The recalibration in force stays.

    ``readings``, by procedure and step, take the place of all before: none of a procedure where they forecast no better
    than bands, ``None`` where that is not known yet.
    """
    _lock()
    ReadingFit.objects.all().delete()
    ReadingFit.objects.bulk_create(
        ReadingFit(procedure=key, fitted_at=at, steps={step: asdict(one) for step, one in steps.items()})
        for key, steps in readings.items()
        if steps is not None
    )
    before = StrengthFit.objects.first()
    return StrengthFit.objects.create(
        fitted_at=at,
        as_of=as_of,
        strengths=list(strengths),
        branch_weights=list(branch_weights),
        recalibration=before.recalibration if before else [],
        procedures=procedures,
        verified_jobs=verified_jobs,
    )


@transaction.atomic
def keep_recalibration(found: Recalibration, *, at: datetime, as_of: str) -> None:
    """Store how probabilities are to be corrected from now on, unless it is what is in force; strengths stay."""
    _lock()
    before = StrengthFit.objects.first()
    if list(found) == list((before.recalibration if before else []) or NO_RECALIBRATION):
        return
    StrengthFit.objects.create(
        fitted_at=at,
        as_of=as_of,
        strengths=before.strengths if before else [],
        branch_weights=before.branch_weights if before else [],
        recalibration=list(found),
        procedures=before.procedures if before else 0,
        verified_jobs=before.verified_jobs if before else 0,
    )


@transaction.atomic
def rebuild(cases: Iterable[ClosedCase]) -> int:
    """Throw all tallies away and count the cases again. Returns the number of tallies."""
    _lock()
    total = total_of(cases)
    _put(total)
    return len(total)


@transaction.atomic
def put_total(total: Tallies, *, counted_at: int) -> bool:
    """Put what was counted afresh in the place of all tallies, and return whether: not if any changed since the
    :func:`stamp` at which the counting began."""
    _lock()
    if stamp() != counted_at + 1:
        return False
    _put(total)
    return True


def _put(total: Tallies) -> None:
    """The caller holds the lock."""
    EvidenceLock.objects.filter(pk=RECOUNT).delete()
    _stamp({*Tally.objects.order_by().values_list("procedure", flat=True).distinct(), *(k.procedure for k in total)})
    Tally.objects.all().delete()
    rows = (_row(key, sums) for key, sums in sorted(total.items()))
    while chunk := list(islice(rows, CHUNK)):
        Tally.objects.bulk_create(chunk)


def total_of(cases: Iterable[ClosedCase]) -> dict[TallyKey, TallySums]:
    """What these cases add up to, counted afresh."""
    total: dict[TallyKey, TallySums] = {}
    for case in cases:
        for key, sums in contributions(case).items():
            total[key] = total.get(key, TallySums()) + sums
    return {key: sums for key, sums in total.items() if sums}


def kept() -> dict[TallyKey, TallySums]:
    """The tallies as they stand in the database."""
    return {key_of(row): sums_of(row) for row in Tally.objects.iterator(chunk_size=CHUNK)}


def to_be_recounted() -> bool:
    """Whether a migration left the tallies to be counted again from the jobs. One query."""
    return EvidenceLock.objects.filter(pk=RECOUNT).exists()


def _lock() -> None:
    """Serialise changes: one row, held to the end of the transaction, on both databases."""
    if not _next_stamps(["tallies"]):
        EvidenceLock.objects.get_or_create(pk="tallies")
        _next_stamps(["tallies"])


def _stamp(procedures: Collection[str]) -> dict[str, int]:
    """The tallies of these procedures change; their new stamps. One statement, three the first time, under the lock."""
    if not procedures:  # a job that followed none
        return {}
    names = {_stamp_name(key): key for key in procedures}
    found = _next_stamps(list(names))
    if len(found) < len(names):
        EvidenceLock.objects.bulk_create((EvidenceLock(name=name) for name in names), ignore_conflicts=True)
        found = _next_stamps(list(names))
    return {names[name]: stamp for name, stamp in found}


def _next_stamps(names: Sequence[str]) -> list[tuple[str, int]]:
    """Count the stamps on and return them in one statement, which a queryset cannot express."""
    places = ", ".join(["%s"] * len(names))
    table = connection.ops.quote_name(EvidenceLock._meta.db_table)
    with connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE {table} SET stamp = stamp + 1 WHERE name IN ({places}) RETURNING name, stamp",  # noqa: S608
            list(names),
        )
        return list(cursor.fetchall())


def _stamp_name(procedure: str) -> str:
    """A digest of the procedure's key: the keys are longer than the names of stamps."""
    return sha256(procedure.encode()).hexdigest()[:20]


def _apply(change: TallyChange) -> None:
    """Add to the tallies in the database and delete those that add up to nothing. The caller holds the lock."""
    tallies = merge([change.added, take_back(change.taken)] if change.taken else [change.added])
    if not tallies:
        return
    _lock()
    stamps = _stamp({key.procedure for key in tallies})
    _add(tallies)
    if change.taken:
        _let_go(tallies)
    transaction.on_commit(lambda: record(stamps, change))


def _add(tallies: Tallies) -> None:
    """Sums added to the rows of their keys, which are made where they are missing: one statement for :data:`CHUNK`
    keys, which querysets cannot say (they only put new values in place of old ones)."""
    quote = connection.ops.quote_name
    table, keys = quote(Tally._meta.db_table), ", ".join(map(quote, KEY_FIELDS))
    sums = [quote(name) for name in SUM_FIELDS]
    blanks = f"({', '.join(['%s'] * (len(KEY_FIELDS) + len(SUM_FIELDS)))})"
    added = ", ".join(f"{name} = {table}.{name} + excluded.{name}" for name in sums)
    rows = iter(sorted(tallies.items()))
    with connection.cursor() as cursor:
        while chunk := list(islice(rows, CHUNK)):
            cursor.execute(
                f"INSERT INTO {table} ({keys}, {', '.join(sums)}) VALUES {', '.join([blanks] * len(chunk))} "  # noqa: S608
                f"ON CONFLICT ({keys}) DO UPDATE SET {added}",
                [value for key, part in chunk for value in (*_key_values(key), *_sum_values(part))],
            )


_key_values = attrgetter(*KEY_FIELDS)
_sum_values = attrgetter(*SUM_FIELDS)


def _let_go(tallies: Tallies) -> None:
    """Delete rows near these keys in which nothing is counted any more."""

    def values(name: str) -> set[str]:
        return {getattr(key, name) for key in tallies}

    near = {f"{name}__in": values(name) for name in ("procedure", "platform", "month", "cause", "step")}
    Tally.objects.filter(**near, **dict.fromkeys(SUM_FIELDS, 0)).delete()


def _row(key: TallyKey, sums: TallySums) -> Tally:
    parts = {name: getattr(key, name) for name in KEY_FIELDS} | {name: getattr(sums, name) for name in SUM_FIELDS}
    return Tally(**parts)
