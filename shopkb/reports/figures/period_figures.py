"""A period in four figures, and what a month says that those before it did not. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from shopkb.jobs.job_facts import CURED, NOT_CURED, JobFact
from shopkb.reports.figures.comebacks import PROVISIONAL
from shopkb.reports.figures.shares import FEWEST, Share

BY_CHANCE = 0.05
"""False discovery rate of what is said to have changed: of twenty months in which nothing did, one says something."""


@dataclass(frozen=True, slots=True)
class PeriodFigures:
    """Of closed jobs: ``cured`` were so when they were closed, ``proven`` have a cause that held until now; ``back``
    came back, of those cured, ``young`` of which may still do so. Of repairs that were judged ``failed`` did not cure
    when they were tried, ``wrong`` did not cure or last, those on ``wrong_jobs`` jobs."""

    jobs: int
    cured: Share
    proven: Share
    back: Share
    young: int
    failed: Share
    wrong: Share
    wrong_jobs: int

    @classmethod
    def of(cls, jobs: Iterable[JobFact], now: datetime) -> PeriodFigures:
        every = list(jobs)
        claimed = [job for job in every if job.claimed]
        judged = [repair for job in every for repair in job.repairs if repair.cured in (CURED, NOT_CURED)]
        return cls(
            len(every),
            Share(len(claimed), len(every)),
            Share(sum(job.confirmed is not None for job in every), len(every)),
            Share(sum(job.back_at is not None for job in claimed), len(claimed)),
            sum(job.back_at is None and now - job.closed_at < PROVISIONAL for job in claimed),
            Share(sum(repair.cured == NOT_CURED for repair in judged), len(judged)),
            Share(sum(len(job.wrong) for job in every), len(judged)),
            sum(bool(job.wrong) for job in every),
        )


def apart(month: PeriodFigures, before: PeriodFigures) -> tuple[str, ...]:
    """Which of ``cured`` and ``failed`` chance does not explain (exact test of R. Fisher, 1935; Y. Benjamini and
    Y. Hochberg, JRSS B 57, 1995). Whatever counts what came back is left out: it grows for two months after."""
    from scipy.stats import false_discovery_control, fisher_exact

    found = {}
    for name in ("cured", "failed"):
        now, then = getattr(month, name), getattr(before, name)
        if min(now.whole, then.whole) >= FEWEST:
            table = [[now.part, now.whole - now.part], [then.part, then.whole - then.part]]
            found[name] = float(fisher_exact(table).pvalue)
    if not found:
        return ()
    chances = false_discovery_control(list(found.values()))
    return tuple(name for name, chance in zip(found, chances, strict=True) if chance <= BY_CHANCE)
