"""Which causes are confirmed, which are found together, and which no procedure leads to. Pure."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from enum import StrEnum

from shopkb.core.identifiers import is_within
from shopkb.jobs.job_facts import JobFact
from shopkb.reports.figures.shares import Share


class By(StrEnum):
    """What confirmed causes are counted by."""

    CAUSE = "cause"
    SYSTEM = "system"
    PLATFORM = "platform"


@dataclass(frozen=True, slots=True)
class CauseFigures:
    """``jobs`` with this confirmed cause (or system, or platform), their share, and the share up to here."""

    name: str
    jobs: int
    share: Share
    up_to_here: float


def pareto(jobs: Iterable[JobFact], by: By = By.CAUSE, system: str = "") -> tuple[CauseFigures, ...]:
    """Confirmed causes, most frequent first (the vital few: J. Juran's Pareto principle). ``system`` narrows to causes
    at or below a path. A system is told by its first two levels, a platform by maker and model."""
    counts: Counter[str] = Counter()
    for job in jobs:
        cause = job.confirmed
        if cause is not None and is_within(component_of(cause.cause), system):
            counts[_name(job, cause.cause, by)] += 1
    whole, met, rows = sum(counts.values()), 0, []
    for name, number in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0])):
        met += number
        rows.append(CauseFigures(name, number, Share(number, whole), met / whole))
    return tuple(rows)


@dataclass(frozen=True, slots=True)
class FoundTogether:
    """Of the jobs with the confirmed ``cause``, those on which ``also`` was found too."""

    cause: str
    also: str
    share: Share


def found_together(jobs: Iterable[JobFact], system: str = "") -> tuple[FoundTogether, ...]:
    """Pairs of causes, by the lower end of their share."""
    single: Counter[str] = Counter()
    pairs: Counter[tuple[str, str]] = Counter()
    for job in jobs:
        if job.confirmed is None or not is_within(component_of(job.confirmed.cause), system):
            continue
        single[job.confirmed.cause] += 1
        pairs.update((job.confirmed.cause, other) for other in set(job.also) - {job.confirmed.cause})
    rows = [FoundTogether(cause, also, Share(number, single[cause])) for (cause, also), number in pairs.items()]
    return tuple(sorted(rows, key=lambda row: (-(row.share.lower or -1.0), -row.share.part, row.cause, row.also)))


@dataclass(frozen=True, slots=True)
class UncoveredCause:
    """A confirmed cause that no procedure in force can end at; ``procedure`` is the one that most of these jobs had
    followed, if any."""

    cause: str
    jobs: int
    procedure: str = ""


def uncovered(jobs: Iterable[JobFact], known: Collection[str]) -> tuple[UncoveredCause, ...]:
    """``known`` are the identities that procedures in force lead to."""
    counts: Counter[str] = Counter()
    followed: dict[str, Counter[str]] = defaultdict(Counter)
    for job in jobs:
        if job.confirmed and job.confirmed.cause not in known:
            counts[job.confirmed.cause] += 1
            followed[job.confirmed.cause].update(job.procedures)
    return tuple(
        UncoveredCause(cause, number, _most_followed(followed[cause]))
        for cause, number in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    )


def _most_followed(procedures: Counter[str]) -> str:
    """The key counted most often, the first by name among equals; empty where none was followed."""
    return min(procedures, key=lambda key: (-procedures[key], key), default="")


def component_of(identity: str) -> str:
    """The path in the tree of systems of ``component#mode``."""
    return identity.partition("#")[0]


def _name(job: JobFact, cause: str, by: By) -> str:
    if by is By.CAUSE:
        return cause
    path = component_of(cause) if by is By.SYSTEM else job.platform
    return "/".join(path.split("/")[:2])
