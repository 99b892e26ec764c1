"""Jobs that came back, and repairs that were wrong. Pure.

Comebacks are counted for the month in which the first job was closed, among the cures claimed then.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from shopkb.core.diagnosis.counting.tallies import Tallies, TallyKey
from shopkb.jobs.job_facts import CURED, NOT_CURED, JobFact, RepairFact
from shopkb.reports.figures.shares import Share

Name = tuple[str, str]
"""A cause and a procedure, or another name and nothing."""

PROVISIONAL = timedelta(days=60)
"""A cure younger than this may still come back."""


@dataclass(frozen=True, slots=True)
class ComebackFigures:
    """``back`` of the cures that were claimed; ``young`` of those are too young to judge; ``days`` until it came back
    (median) where it did. ``name`` is a cause, a procedure, a proof or a log-in; ``procedure`` only beside a cause."""

    name: str
    back: Share
    young: int
    days: float | None
    procedure: str = ""

    @property
    def provisional(self) -> bool:
        return self.young > 0


def by_cause(tallies: Tallies, jobs: Sequence[JobFact], now: datetime) -> tuple[ComebackFigures, ...]:
    """By (cause, procedure), from the tallies of runs; days and young cures from the latest jobs."""
    return _grouped(tallies, jobs, now, lambda key: (key.cause, key.procedure), _cause_and_procedures)


def by_procedure(tallies: Tallies, jobs: Sequence[JobFact], now: datetime) -> tuple[ComebackFigures, ...]:
    return _grouped(
        tallies, jobs, now, lambda key: (key.procedure, ""), lambda job, _repair: [(key, "") for key in job.procedures]
    )


def by_proof(jobs: Sequence[JobFact], now: datetime) -> tuple[ComebackFigures, ...]:
    """By how the claimed cause was proven, each job once whatever procedures it followed."""
    return _by_repair(jobs, now, lambda repair: repair.proof)


def by_person(jobs: Sequence[JobFact], now: datetime) -> tuple[ComebackFigures, ...]:
    """By who made the repair, in the order of the log-ins: no ranking."""
    return _by_repair(jobs, now, lambda repair: repair.who)


def _by_repair(
    jobs: Sequence[JobFact], now: datetime, name_of: Callable[[RepairFact], str]
) -> tuple[ComebackFigures, ...]:
    groups: dict[str, list[JobFact]] = defaultdict(list)
    for job in jobs:
        if job.claimed:
            groups[name_of(job.claimed)].append(job)
    counted = {name: Share(sum(job.back_at is not None for job in group), len(group)) for name, group in groups.items()}
    return tuple(_row((name, ""), counted[name], group, now) for name, group in sorted(groups.items()))


def _row(name: Name, back: Share, jobs: Sequence[JobFact], now: datetime) -> ComebackFigures:
    young = sum(job.back_at is None and now - job.closed_at < PROVISIONAL for job in jobs)
    known = [job.days_until_back for job in jobs if job.days_until_back is not None]
    return ComebackFigures(name[0], back, young, float(median(known)) if known else None, name[1])


@dataclass(frozen=True, slots=True)
class WrongParts:
    """Repairs of one cause that did not cure, or whose cure did not last, among those that were judged."""

    cause: str
    wrong: Share
    parts: tuple[str, ...]


def wrong_parts(jobs: Iterable[JobFact]) -> tuple[WrongParts, ...]:
    """By the cause that was blamed, most wrong repairs first."""
    judged: dict[str, int] = defaultdict(int)
    wrong: dict[str, list[RepairFact]] = defaultdict(list)
    for job in jobs:
        for repair in job.repairs:
            judged[repair.cause] += repair.cured in (CURED, NOT_CURED)
        for repair in job.wrong:
            wrong[repair.cause].append(repair)
    found = [
        WrongParts(cause, Share(len(made), judged[cause]), tuple(sorted({r.parts for r in made if r.parts})))
        for cause, made in wrong.items()
    ]
    return tuple(sorted(found, key=lambda row: (-row.wrong.part, row.cause)))


def _grouped(
    tallies: Tallies,
    jobs: Sequence[JobFact],
    now: datetime,
    of_key: Callable[[TallyKey], Name],
    of_job: Callable[[JobFact, RepairFact], list[Name]],
) -> tuple[ComebackFigures, ...]:
    """By name: the lower end of the share first."""
    cures: dict[Name, int] = defaultdict(int)
    back: dict[Name, int] = defaultdict(int)
    for key, sums in tallies.items():
        if key.cause and not key.step:
            cures[of_key(key)] += sums.count + sums.came_back
            back[of_key(key)] += sums.came_back
    met: dict[Name, list[JobFact]] = defaultdict(list)
    for job in jobs:
        for name in of_job(job, job.claimed) if job.claimed else []:
            met[name].append(job)
    rows = [_row(name, Share(back[name], claimed), met[name], now) for name, claimed in cures.items() if claimed > 0]
    return tuple(sorted(rows, key=lambda row: (-(row.back.lower or -1.0), -row.back.part, row.name, row.procedure)))


def _cause_and_procedures(job: JobFact, repair: RepairFact) -> list[Name]:
    return [(repair.cause, procedure) for procedure in job.procedures]
