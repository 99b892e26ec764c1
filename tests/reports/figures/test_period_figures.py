"""A month beside the months before it. Oracles: counting by hand, the null shop in which nothing differs."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from shopkb.jobs.job_facts import JobFact, RepairFact
from shopkb.reports.figures.period_figures import PeriodFigures, apart
from shopkb.reports.figures.shares import Share

NOW = datetime(2026, 12, 1, 8, tzinfo=UTC)


def job(number: int, *judged: str, ended: str = "cured", days: int = 10, back: bool = False) -> JobFact:
    """Closed so many days ago after these repairs."""
    closed = NOW - timedelta(days=days)
    repairs = tuple(
        RepairFact(place, f"body/horn/part-{place}#open circuit", "measured", "dorcas", how)
        for place, how in enumerate(judged)
    )
    later = closed + timedelta(days=5) if back else None
    return JobFact(number, "curlew", "horn-silent", ended, closed, closed, "dorcas", (), repairs, (), later)


def test_by_hand() -> None:
    """Six jobs: three cured at once, one of them came back; one cured by its second repair 70 days ago; one given up
    after a repair that did not cure, one without any."""
    jobs = [
        job(1, "cured"), job(2, "cured"), job(3, "cured", back=True), job(4, "not-cured", "cured", days=70),
        job(5, "not-cured", ended="unsolved"), job(6, ended="declined"),
    ]  # fmt: skip
    found = PeriodFigures.of(jobs, NOW)
    assert (found.jobs, found.cured, found.proven) == (6, Share(4, 6), Share(3, 6))
    assert (found.back, found.young) == (Share(1, 4), 2)
    assert (found.failed, found.wrong, found.wrong_jobs) == (Share(2, 6), Share(3, 6), 3)


def month(rng: np.random.Generator, jobs: int, cured: float, failed: float) -> PeriodFigures:
    done = int(rng.binomial(jobs, cured))
    tried = int(rng.binomial(jobs, 0.9))
    wrong = int(rng.binomial(tried, failed))
    return PeriodFigures(jobs, Share(done, jobs), Share(0, 0), Share(0, 0), 0, Share(wrong, tried), Share(0, 0), 0)


def test_where_nothing_differs_one_month_in_ten_at_most_says_that_something_did() -> None:
    rng = np.random.default_rng(31)
    said = sum(bool(apart(month(rng, 80, 0.85, 0.1), month(rng, 880, 0.85, 0.1))) for _ in range(400))
    assert said <= 400 * 0.1


def test_what_did_change_is_said() -> None:
    rng = np.random.default_rng(32)
    pairs = [apart(month(rng, 80, 0.85, 0.3), month(rng, 880, 0.85, 0.1)) for _ in range(100)]
    assert sum("failed" in each for each in pairs) > 90
    assert sum("cured" in each for each in pairs) < 15


def test_too_few_jobs_say_nothing() -> None:
    few = PeriodFigures.of([job(1, "not-cured", ended="unsolved")], NOW)
    assert apart(few, PeriodFigures.of([job(n, "cured") for n in range(2, 40)], NOW)) == ()
