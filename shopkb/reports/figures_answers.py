"""What the answers of closed jobs say: minutes of each step and run, departures from a procedure, each person's part.
Pure."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from shopkb.core.diagnosis.tallies import SKIP, TallyKey, TallySums
from shopkb.reports.figures_tests import PERIOD
from shopkb.reports.job_facts import AnswerFact, JobFact
from shopkb.reports.shares import Spread, spread


@dataclass(frozen=True, slots=True)
class Deviations:
    """Answers of one procedure: how many, done out of order, against what the reading said, left out."""

    answers: int = 0
    off_path: int = 0
    overrides: int = 0
    skipped: int = 0
    off_step: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PersonAnswers:
    """Answers given, steps left out among them, and answers that went against what the reading said."""

    answers: int = 0
    skipped: int = 0
    overrides: int = 0


def answers_of(jobs: Iterable[JobFact], person: str = "") -> Iterable[AnswerFact]:
    """All answers, or those of one person (a log-in)."""
    return (answer for job in jobs for answer in job.answers if not person or answer.who == person)


def typical_minutes(jobs: Iterable[JobFact], person: str = "") -> dict[tuple[str, str], Spread]:
    """Median and quartiles of each step that was done, by (procedure, step)."""
    histograms: dict[tuple[str, str], Counter[int]] = defaultdict(Counter)
    for answer in answers_of(jobs, person):
        if answer.seconds is not None and not answer.skipped:
            histograms[answer.procedure, answer.step][answer.seconds] += 1
    return {key: found for key, histogram in histograms.items() if (found := spread(histogram)) is not None}


def run_minutes(jobs: Iterable[JobFact]) -> dict[str, Counter[int]]:
    """Seconds from first to last answer on jobs with a proven cause, procedure by procedure as a histogram; only where
    the time of every answer is known."""
    histograms: dict[str, Counter[int]] = defaultdict(Counter)
    for job in jobs:
        if job.confirmed is None:
            continue
        times: dict[str, list[int | None]] = defaultdict(list)
        for answer in job.answers:
            times[answer.procedure].append(answer.seconds)
        for procedure, seconds in times.items():
            known = [each for each in seconds if each is not None]
            if len(known) == len(seconds):
                histograms[procedure][sum(known)] += 1
    return dict(histograms)


def deviations(jobs: Iterable[JobFact]) -> dict[str, Deviations]:
    """How often each procedure was departed from."""
    sums: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0])
    by_step: dict[str, Counter[str]] = defaultdict(Counter)
    for answer in answers_of(jobs):
        parts = (answer.off_path, answer.overridden, bool(answer.skipped))
        here = sums[answer.procedure]
        here[0] += 1
        for place, met in enumerate(parts, 1):
            here[place] += met
        by_step[answer.procedure][answer.step] += sum(parts)
    return {procedure: Deviations(*counts, off_step=by_step[procedure]) for procedure, counts in sums.items()}


def by_person(jobs: Iterable[JobFact]) -> dict[str, PersonAnswers]:
    """By log-in."""
    sums: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    for answer in answers_of(jobs):
        here = sums[answer.who]
        here[0] += 1
        here[1] += bool(answer.skipped)
        here[2] += answer.overridden
    return {who: PersonAnswers(*counts) for who, counts in sums.items()}


def tallies_of_person(jobs: Iterable[JobFact], person: str) -> dict[str, dict[TallyKey, TallySums]]:
    """What the answers of one person add up to, by procedure: as tallies, a step once a job by its latest answer."""
    found: dict[str, dict[TallyKey, TallySums]] = defaultdict(lambda: defaultdict(TallySums))
    for job in jobs:
        cause, proof = (job.confirmed.cause, job.confirmed.proof) if job.confirmed else ("", "")
        latest = {(one.procedure, one.step): one for one in job.answers if one.who == person}
        for (procedure, step), one in latest.items():
            key = TallyKey(procedure, step, one.outcome or f"{SKIP}{one.skipped}", cause, proof, "", PERIOD)
            found[procedure][key] += _once(one.seconds)
        named = {r.named_at for r in job.rejected if r.named_at and r.named_by == person}
        for procedure, step, outcome in named:
            found[procedure][TallyKey(procedure, step, outcome, "", "", "", PERIOD)] += TallySums(rejected=1)
    return {procedure: dict(sums) for procedure, sums in found.items()}


def _once(seconds: int | None) -> TallySums:
    return TallySums(1) if seconds is None else TallySums(1, 1, seconds, seconds * seconds)
