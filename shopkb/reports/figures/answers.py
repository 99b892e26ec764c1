"""Figures from the answers of closed jobs: minutes of steps and runs, departures from a procedure, answers by person.
Pure."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from shopkb.core.diagnosis.counting.closed_case import seconds_in_all
from shopkb.core.diagnosis.counting.positions import ASIDE
from shopkb.core.diagnosis.counting.tallies import SKIP, TallyKey, TallySums
from shopkb.jobs.job_facts import AnswerFact, JobFact
from shopkb.reports.figures.shares import Quartiles, quartiles
from shopkb.reports.figures.step_figures import PERIOD


@dataclass(frozen=True, slots=True)
class Deviations:
    """Counts of the answers of one procedure: all, out of order, against the reading, left out; ``jobs`` has the number
    of jobs with at least one of each, in the same order."""

    answers: int = 0
    off_path: int = 0
    overrides: int = 0
    skipped: int = 0
    jobs: tuple[int, ...] = (0, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class PersonAnswers:
    """Counts of the answers of one person: all, left out, against the reading; ``jobs`` has the number of jobs with at
    least one of each, in the same order."""

    answers: int = 0
    skipped: int = 0
    overrides: int = 0
    jobs: tuple[int, ...] = (0, 0, 0)


def answers_of(jobs: Iterable[JobFact], person: str = "") -> Iterable[AnswerFact]:
    """All answers, or those of one person (a log-in)."""
    return (answer for job in jobs for answer in job.answers if not person or answer.who == person)


def typical_minutes(jobs: Iterable[JobFact], person: str = "") -> dict[tuple[str, str], Quartiles]:
    """Median and quartiles of each step that was done, by (procedure, step)."""
    histograms: dict[tuple[str, str], Counter[int]] = defaultdict(Counter)
    for answer in answers_of(jobs, person):
        if answer.seconds is not None and not answer.skipped:
            histograms[answer.procedure, answer.step][answer.seconds] += 1
    return {key: found for key, histogram in histograms.items() if (found := quartiles(histogram)) is not None}


def run_minutes(jobs: Iterable[JobFact]) -> dict[str, Counter[int]]:
    """Seconds from first to last answer on jobs with a proven cause, procedure by procedure as a histogram; a time that
    is not known counts as the writer expects it."""
    histograms: dict[str, Counter[int]] = defaultdict(Counter)
    for job in jobs:
        if job.confirmed is None:
            continue
        answers: dict[str, list[AnswerFact]] = defaultdict(list)
        for answer in job.answers:
            answers[answer.procedure].append(answer)
        for procedure, given in answers.items():
            seconds = seconds_in_all(given)
            if seconds is not None:
                histograms[procedure][seconds] += 1
    return dict(histograms)


def deviations(jobs: Iterable[JobFact]) -> dict[str, Deviations]:
    """How often each procedure was departed from."""
    counted = _counted(
        jobs, lambda one: one.procedure, lambda one: (1, one.off_path, one.overridden, bool(one.skipped))
    )
    return {
        procedure: Deviations(done, off, over, left, met)
        for procedure, ((done, off, over, left), met) in counted.items()
    }


def by_person(jobs: Iterable[JobFact]) -> dict[str, PersonAnswers]:
    """By log-in."""
    counted = _counted(jobs, lambda one: one.who, lambda one: (1, bool(one.skipped), one.overridden))
    return {who: PersonAnswers(done, left, over, met) for who, ((done, left, over), met) in counted.items()}


def _counted(
    jobs: Iterable[JobFact], name_of: Callable[[AnswerFact], str], marks_of: Callable[[AnswerFact], tuple[int, ...]]
) -> dict[str, tuple[tuple[int, ...], tuple[int, ...]]]:
    """By name: answers with each mark, and jobs with at least one such answer."""
    answers: dict[str, list[int]] = {}
    met: dict[str, list[int]] = {}
    for job in jobs:
        here: dict[str, list[int]] = {}
        for answer in job.answers:
            marks = marks_of(answer)
            sums = here.setdefault(name_of(answer), [0] * len(marks))
            for place, mark in enumerate(marks):
                sums[place] += mark
        for name, sums in here.items():
            whole, jobs_met = answers.setdefault(name, [0] * len(sums)), met.setdefault(name, [0] * len(sums))
            for place, number in enumerate(sums):
                whole[place] += number
                jobs_met[place] += number > 0
    return {name: (tuple(sums), tuple(met[name])) for name, sums in answers.items()}


def tallies_of_person(jobs: Iterable[JobFact], person: str) -> dict[str, dict[TallyKey, TallySums]]:
    """What the answers of one person add up to, by procedure: as tallies, a step once a job by its latest answer."""
    found: dict[str, dict[TallyKey, TallySums]] = defaultdict(lambda: defaultdict(TallySums))
    for job in jobs:
        cause, proof = (job.confirmed.cause, job.confirmed.proof) if job.confirmed else ("", "")
        latest = {(one.procedure, one.step): one for one in job.answers if one.who == person}
        for (procedure, step), one in latest.items():
            key = TallyKey(
                procedure, step, one.outcome or f"{SKIP}{one.skipped}", cause, proof, "", PERIOD, one.position
            )
            found[procedure][key] += _once(one.seconds)
        position = {(one.procedure, one.step, one.outcome): one.position for one in job.answers}
        named = {r.named_at for r in job.rejected if r.named_at and r.named_by == person}
        for procedure, step, outcome in named:
            where = position.get((procedure, step, outcome), ASIDE)
            found[procedure][TallyKey(procedure, step, outcome, "", "", "", PERIOD, where)] += TallySums(rejected=1)
    return {procedure: dict(sums) for procedure, sums in found.items()}


def _once(seconds: int | None) -> TallySums:
    return TallySums(1) if seconds is None else TallySums(1, 1, seconds, seconds * seconds)
