"""What was learned beside what is true: how often each cause is met, and how far each branch can be trusted.

The truth of a cause's share is worked out from the truth's weights; that of a branch by simulating many more jobs than
the shop has closed. Learned figures come from the shop's tallies alone, without forgetting.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.likelihoods import prior_of
from shopkb.core.diagnosis.counting.branch_success import ON_SCREEN, branch_evidence
from shopkb.core.diagnosis.counting.flow_counts import FlowCounts, branch_reach, count
from shopkb.core.diagnosis.counting.positions import Recorded, on_written_way, positions
from shopkb.core.diagnosis.counting.tallies import Tallies
from shopkb.core.diagnosis.rates.hierarchical import PooledRate
from shopkb.core.diagnosis.rates.intervals import Rate, jeffreys
from shopkb.core.flow.model import Flow
from shopkb.core.flow.walk import AnsweredStep, walk
from shopkb.demo.simulator import Simulated
from shopkb.demo.truth import Circumstances, Truth, cause_weights, comes_in
from shopkb.jobs.models import Job

LEVEL: Final = ON_SCREEN
CHANCE: Final = 0.01
"""Coverage counts as too low where a calibrated interval would have one as low with less than this probability."""
MOMENTS: Final = 50
Branch = tuple[str, str]


@dataclass(frozen=True, slots=True)
class ComparedFigure:
    """One figure: ``kind`` is ``cause`` or ``branch``; shares of 1; ``jobs`` are those the learned figure rests on."""

    kind: str
    procedure: str
    what: str
    true: float
    learned: float
    low: float
    high: float
    jobs: int

    @property
    def inside(self) -> bool:
        """Whether the interval holds the truth; a limit that rounds to it does."""
        return self.low - 5e-4 <= self.true <= self.high + 5e-4


@dataclass(frozen=True, slots=True)
class Coverage:
    """How many intervals of one kind hold the truth, and how many would have to at least."""

    kind: str
    lines: int
    inside: int
    least: int

    @property
    def share(self) -> float:
        return self.inside / self.lines if self.lines else 1.0

    @property
    def enough(self) -> bool:
        return self.inside >= self.least


def compare(
    truth: Truth, flows: Mapping[str, Flow], tallies: Tallies, simulated: Iterable[Simulated]
) -> tuple[ComparedFigure, ...]:
    """A line for each cause and each branch that a verified job has met. ``simulated`` stands for the long run."""
    beyond = {key: frozenset(cause.identity for cause in flow.causes) for key, flow in flows.items()}
    long_run = branch_truth(flows, simulated, beyond)
    as_of = max((key.month for key in tallies), default="2000-01")
    lines: list[ComparedFigure] = []
    for key, flow in flows.items():
        counts = count(flow, tallies, as_of=as_of, half_life=None, proof_weights={}, beyond=beyond)
        if truth.of(flow).share > 0:
            lines += _cause_lines(truth, flow, counts)
        lines += _branch_lines(key, counts, long_run)
    return tuple(lines)


def coverage(lines: Sequence[ComparedFigure]) -> tuple[Coverage, ...]:
    """By kind: causes, then branches."""
    return tuple(_coverage(kind, [line for line in lines if line.kind == kind]) for kind in ("cause", "branch"))


def _coverage(kind: str, lines: Sequence[ComparedFigure]) -> Coverage:
    from scipy.special import bdtr

    # The smallest count that the binomial law exceeds with less than this chance; all of scipy.stats takes a second.
    least = int(np.searchsorted(bdtr(np.arange(len(lines) + 1), len(lines), LEVEL), CHANCE))
    return Coverage(kind, len(lines), sum(line.inside for line in lines), least)


def prior_truth(truth: Truth, flow: Flow) -> dict[str, float]:
    """True share of each cause, by identity, over the shop's vehicles and the whole period."""
    spec, total = truth.of(flow), defaultdict[str, float](float)
    platforms = Counter(one.platform for one in truth.vehicles if comes_in(spec, flow, one.platform))
    slope = truth.shop.growth - 1
    shares = (np.arange(MOMENTS) + 0.5) / MOMENTS
    moments = (np.sqrt(1 + slope * (2 + slope) * shares) - 1) / slope if abs(slope) > 1e-9 else shares
    for platform, vehicles in platforms.items():
        for moment in moments:
            weights = cause_weights(spec, flow, Circumstances(platform, float(moment)))
            whole = sum(weights.values())
            for cause, weight in weights.items():
                total[cause] += vehicles * weight / whole
    return {cause: share / platforms.total() / MOMENTS for cause, share in total.items()}


def branch_truth(
    flows: Mapping[str, Flow], simulated: Iterable[Simulated], beyond: Mapping[str, frozenset[str]]
) -> dict[tuple[str, Branch], float]:
    """Of the verified jobs that took a branch on the written way, the share whose true cause lies behind it.

    Jobs that followed an earlier edition count for the steps that are still come to by the same ways.

    ``beyond`` gives the identities that each procedure can find once another hands over to it.
    """
    taken, reached = defaultdict[tuple[str, Branch], int](int), defaultdict[tuple[str, Branch], int](int)
    reach = {
        (key, branch): part.causes
        for key, flow in flows.items()
        for branch, part in zip(branches_of(flow), branch_reach(flow, beyond), strict=True)
    }
    for job in simulated:
        if job.past.disposition == Job.Disposition.CURED and not job.comes_back:
            for branch, position in _branches({**flows, **job.earlier}, job):
                if branch in reach and positions(flows[branch[0]])[branch[1][0]] == position:
                    taken[branch] += 1
                    reached[branch] += job.cause in reach[branch]
    return {branch: reached[branch] / times for branch, times in taken.items()}


def branches_of(flow: Flow) -> list[Branch]:
    return [(step.key, outcome.key) for step, outcome in flow.branches]


def _branches(flows: Mapping[str, Flow], job: Simulated) -> Iterator[tuple[tuple[str, Branch], str]]:
    """Branches that the job took on the written way, each with the position of its step."""
    for run in job.past.runs:
        on_way = on_written_way(Recorded(row.step, row.outcome) for row in run.results)
        position = positions(flows[run.procedure])
        way = walk(flows[run.procedure], [AnsweredStep(row.step, row.outcome or row.onward) for row in run.results])
        for place in way.standing:
            row = run.results[place]
            if (row.step, row.outcome) in on_way:
                yield (run.procedure, (row.step, row.outcome)), position[row.step]


def _cause_lines(truth: Truth, flow: Flow, counts: FlowCounts) -> Iterator[ComparedFigure]:
    runs, belief = counts.runs.sum(axis=0), prior_of(counts)
    prior = belief / belief.sum()
    verified = float(runs.sum())
    true = prior_truth(truth, flow)
    for place, cause in enumerate(counts.causes[:-1]):
        rate = jeffreys(float(runs[place]), verified, LEVEL)
        if isinstance(rate, Rate):
            yield ComparedFigure(
                "cause", flow.procedure, cause, true.get(cause, 0.0), float(prior[place]), rate.low, rate.high,
                round(verified),
            )  # fmt: skip


def _branch_lines(
    procedure: str, counts: FlowCounts, long_run: Mapping[tuple[str, Branch], float]
) -> Iterator[ComparedFigure]:
    for branch, found in branch_evidence(counts, level=LEVEL).items():
        true = long_run.get((procedure, branch))
        if isinstance(found.rate, PooledRate) and found.jobs and true is not None:
            rate = found.rate
            yield ComparedFigure(
                "branch", procedure, "/".join(branch), true, rate.mean, rate.low, rate.high, found.jobs
            )
