"""Minutes that each procedure takes to a proven cause, and how its jobs ended. Pure."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from shopkb.core.diagnosis.counting.branch_success import ON_SCREEN
from shopkb.core.diagnosis.counting.tallies import Tallies, TallyKey, TallySums
from shopkb.core.flow.model import Proof
from shopkb.jobs.job_facts import JobFact
from shopkb.reports.figures.shares import FEWEST, Mean, Quartiles, Share, quartiles
from shopkb.reports.figures.step_figures import StepFigures

STUCK = ("unsolved", "sent-elsewhere")
DECLINED = "declined"
COSTLIEST = 5


@dataclass(frozen=True, slots=True)
class MeanChange:
    """Difference of two means in minutes (below 0: quicker), with its interval. ``sure`` is the probability that the
    true one has the same sign, had either been as likely beforehand."""

    minutes: float
    low: float
    high: float
    sure: float = 1.0

    @property
    def words(self) -> str:
        if self.low <= 0 <= self.high:
            return "no clear change"
        return "quicker" if self.high < 0 else "slower"


@dataclass(frozen=True, slots=True)
class ProcedureFigures:
    """One procedure in the period. ``minutes`` is the mean from first to last answer of jobs with a proven cause, where
    a time that is not known counts as the writer expects it; ``typical`` the median and quartiles of the latest of
    them; ``by_month`` is that mean month by month. ``change`` compares the second half of the period with the first."""

    procedure: str
    title: str
    proven: Share
    eliminated: Share
    stuck: Share
    declined: Share
    minutes: Mean | None
    typical: Quartiles | None
    by_month: tuple[tuple[str, Mean | None], ...]
    change: MeanChange | None


def procedure_figures(
    titles: Mapping[str, str],
    tallies: Tallies,
    jobs: Sequence[JobFact],
    histograms: Mapping[str, Mapping[int, int]],
    months: Sequence[str],
) -> tuple[ProcedureFigures, ...]:
    """Of every procedure in ``titles``, in order. ``tallies`` are those of runs, ``histograms`` their seconds."""
    ended: dict[str, Counter[str]] = defaultdict(Counter)
    for job in jobs:
        for procedure in job.procedures:
            ended[procedure][job.disposition] += 1
    mine: dict[str, dict[TallyKey, TallySums]] = defaultdict(dict)
    for each, sums in tallies.items():
        if not each.step:
            mine[each.procedure][each] = sums
    return tuple(_figures(key, title, mine[key], ended[key], histograms, months) for key, title in titles.items())


def _figures(
    key: str,
    title: str,
    tallies: Tallies,
    ended: Counter[str],
    histograms: Mapping[str, Mapping[int, int]],
    months: Sequence[str],
) -> ProcedureFigures:
    proven = sum(sums.count for k, sums in tallies.items() if k.cause)
    weak = sum(sums.count for k, sums in tallies.items() if k.cause and k.proof == Proof.ELIMINATION)
    whole = sum(sums.count for sums in tallies.values())
    followed = sum(ended.values())
    by_month = month_sums(tallies)
    half = len(months) // 2
    return ProcedureFigures(
        procedure=key,
        title=title,
        proven=Share(proven, whole),
        eliminated=Share(weak, proven),
        stuck=Share(sum(ended[how] for how in STUCK), followed),
        declined=Share(ended[DECLINED], followed),
        minutes=_mean(by_month.values()),
        typical=quartiles(histograms.get(key, {})),
        by_month=tuple((month, _mean([by_month[month]] if month in by_month else [])) for month in months),
        change=change(
            _mean(sums for month, sums in by_month.items() if month < months[half]),
            _mean(sums for month, sums in by_month.items() if month >= months[half]),
        )
        if half
        else None,
    )


def month_sums(tallies: Tallies) -> dict[str, TallySums]:
    """Runs with a proven cause, by month."""
    found: dict[str, TallySums] = defaultdict(TallySums)
    for key, sums in tallies.items():
        if key.cause and not key.step:
            found[key.month] += sums
    return dict(found)


def shop_by_month(tallies: Tallies, months: Sequence[str]) -> tuple[tuple[str, Mean | None], ...]:
    """The mean over all procedures, month by month. It also moves when other faults come in."""
    by_month = month_sums(tallies)
    return tuple((month, _mean([by_month[month]] if month in by_month else [])) for month in months)


def _mean(parts: Iterable[TallySums]) -> Mean | None:
    whole = sum(parts, TallySums())
    return Mean.of_sums(whole.timed, whole.seconds / 60, whole.seconds_squared / 3600)


def change(before: Mean | None, after: Mean | None, level: float = ON_SCREEN) -> MeanChange | None:
    """The difference of two means with its interval, variances not taken as equal (B. Welch, Biometrika 34, 1947);
    ``None`` where either rests on too few."""
    if before is None or after is None or min(before.n, after.n) < FEWEST:
        return None
    from scipy.special import stdtr, stdtrit

    one, other = before.deviation**2 / before.n, after.deviation**2 / after.n
    difference, variance = after.value - before.value, one + other
    if not variance:
        return MeanChange(difference, difference, difference, 1.0 if difference else 0.5)
    freedom = variance**2 / (one**2 / (before.n - 1) + other**2 / (after.n - 1))
    error = math.sqrt(variance)
    half = float(stdtrit(freedom, 0.5 + level / 2)) * error
    return MeanChange(difference, difference - half, difference + half, float(stdtr(freedom, abs(difference) / error)))


def costliest(steps: Iterable[StepFigures], most: int = COSTLIEST) -> tuple[StepFigures, ...]:
    """The steps with the most minutes per bit of information, most first; only those done often enough."""
    known = [step for step in steps if step.minutes_a_bit is not None and step.done >= FEWEST]
    return tuple(sorted(known, key=lambda step: -(step.minutes_a_bit or 0.0))[:most])
