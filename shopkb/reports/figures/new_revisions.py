"""A new revision beside the one before it: what jobs took, what was repaired in vain, what came back. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from shopkb.core.diagnosis.counting.closed_case import seconds_in_all
from shopkb.jobs.job_facts import CURED, NOT_CURED, AnswerFact, JobFact
from shopkb.reports.figures.minutes import MeanChange, change
from shopkb.reports.figures.shares import Mean, Share


@dataclass(frozen=True, slots=True)
class InForceSince:
    """A revision that took the place of another: both by their numbers, ``at`` when, and ``why`` in the writer's words.
    ``before_at`` is when the other had come into force."""

    procedure: str
    number: int
    at: datetime
    why: str
    before: int
    before_at: datetime


@dataclass(frozen=True, slots=True)
class EditionFigures:
    """Closed jobs that followed one revision. ``minutes`` is the mean from its first to its last answer of jobs with a
    proven cause, where a time that is not known counts as the writer expects it; ``in_vain`` counts jobs with a repair
    that did not cure or last, of those with a repair that was judged; ``back`` the cures that came back, of those
    claimed."""

    jobs: int
    minutes: Mean | None
    in_vain: Share
    back: Share


def edition_figures(jobs: Iterable[JobFact], procedure: str, number: int) -> EditionFigures:
    """Of the jobs among these that followed the revision with this number."""
    followed = [job for job in jobs if any(_is_of(answer, procedure, number) for answer in job.answers)]
    judged = [job for job in followed if any(repair.cured in (CURED, NOT_CURED) for repair in job.repairs)]
    claimed = [job for job in followed if job.claimed]
    return EditionFigures(
        len(followed),
        _minutes(followed, procedure, number),
        Share(sum(bool(job.wrong) for job in judged), len(judged)),
        Share(sum(job.back_at is not None for job in claimed), len(claimed)),
    )


def quicker(before: EditionFigures, since: EditionFigures) -> MeanChange | None:
    """Difference of the mean minutes with its interval; ``None`` where either side rests on too few jobs."""
    return change(before.minutes, since.minutes)


def _minutes(jobs: Iterable[JobFact], procedure: str, number: int) -> Mean | None:
    taken = []
    for job in jobs:
        seconds = seconds_in_all(answer for answer in job.answers if _is_of(answer, procedure, number))
        if job.confirmed and seconds is not None:
            taken.append(seconds / 60)
    return Mean.of_sums(len(taken), sum(taken), sum(each * each for each in taken))


def _is_of(answer: AnswerFact, procedure: str, number: int) -> bool:
    return answer.procedure == procedure and answer.revision == number
