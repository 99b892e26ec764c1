"""What each person did, as counts with intervals. Pure. No order of merit: rows go by log-in.

Vehicles and faults differ between people, and few jobs say little: every share carries its interval.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from shopkb.jobs.job_facts import CURED, NOT_CURED, JobFact
from shopkb.reports.figures.answers import PersonAnswers
from shopkb.reports.figures.shares import Share


@dataclass(frozen=True, slots=True)
class PersonFigures:
    """``held`` are cures that have not come back, of those claimed; ``wrong`` repairs that did not cure or last, met on
    ``wrong_jobs``. ``jobs`` are those on which answers were given, left out, and given against the reading."""

    who: str
    closed: int
    answers: int
    skipped: Share
    overrides: Share
    held: Share
    wrong: Share
    wrong_jobs: int = 0
    jobs: tuple[int, ...] = (0, 0, 0)


def people_figures(jobs: Sequence[JobFact], answers: Mapping[str, PersonAnswers]) -> tuple[PersonFigures, ...]:
    """Of everyone who did anything, by log-in."""
    closed = Counter(job.closed_by for job in jobs if job.closed_by)
    claimed = Counter(job.claimed.who for job in jobs if job.claimed)
    held = Counter(job.confirmed.who for job in jobs if job.confirmed)
    judged = Counter(r.who for job in jobs for r in job.repairs if r.cured in (CURED, NOT_CURED))
    wrong = Counter(r.who for job in jobs for r in job.wrong)
    wrong_jobs = Counter(who for job in jobs for who in {r.who for r in job.wrong})
    names = sorted({*closed, *claimed, *judged, *answers})
    return tuple(
        PersonFigures(
            who,
            closed[who],
            (given := answers.get(who, PersonAnswers())).answers,
            Share(given.skipped, given.answers),
            Share(given.overrides, given.answers - given.skipped),
            Share(held[who], claimed[who]),
            Share(wrong[who], judged[who]),
            wrong_jobs[who],
            given.jobs,
        )
        for who in names
    )
