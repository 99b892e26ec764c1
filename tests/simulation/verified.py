"""Where some ends are verified more often than others: shares of causes and success of branches, as counted and put
right.

Long form: ``python -m tests.simulation verified``. Whether a job is verified depends on the answer that it ended with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.likelihoods import prior_of
from shopkb.core.diagnosis.counting import selection_bias
from shopkb.core.diagnosis.counting.branch_success import IN_EXPORTS, branch_evidence
from shopkb.core.diagnosis.counting.closed_case import ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import OTHER, FlowCounts, count
from shopkb.core.diagnosis.rates.hierarchical import PooledRate
from shopkb.core.flow.model import Flow, GoKind
from tests.shelf import SHELF
from tests.simulation.following import HABITS, LAST_MONTH, Learner, true_success
from tests.simulation.savings import ACCESS, PLATFORM
from tests.simulation.tables import keep
from tests.simulation.worlds import drawn

FLOWS: Final = ("relay-and-control", "headlamp-dim-one-side")
LOW: Final = 0.8
"""True success below which a branch shows what uneven verification does."""


@dataclass(frozen=True, slots=True)
class Regime:
    """How jobs are worked, and the range within which each end has its chance to be verified: where the last answer
    names a cause, and elsewhere. With ``stops`` nothing is tried behind the end of the written way."""

    name: str
    habit: str
    named: tuple[float, float]
    elsewhere: tuple[float, float]
    stops: bool = False


REGIMES: Final = (
    Regime("all verified", "written way, advice after a wrong end", (1.0, 1.0), (1.0, 1.0)),
    Regime("six of ten, at random", "written way, advice after a wrong end", (0.6, 0.6), (0.6, 0.6)),
    Regime("named causes 90 %, others 30 %", "written way, advice after a wrong end", (0.9, 0.9), (0.3, 0.3)),
    Regime(
        "the same, stopped where the way ends", "written way, advice after a wrong end", (0.9, 0.9), (0.3, 0.3), True
    ),
    Regime("named causes 90 %, others 30 %, advised", "advice always", (0.9, 0.9), (0.3, 0.3)),
    Regime("each end 60 to 95 %, advised", "advice always", (0.6, 0.95), (0.6, 0.95)),
    Regime("each end 60 to 95 %, half advised", "advice in half of the jobs", (0.6, 0.95), (0.6, 0.95)),
)


@dataclass(eq=False)
class SomeVerified(Learner):
    """A shop in which jobs that end differently are verified differently."""

    regime: Regime = REGIMES[0]

    def __post_init__(self) -> None:
        self.chances = {
            (step.key, outcome.key): self.rng.uniform(
                *(self.regime.named if outcome.go.kind is GoKind.CAUSE else self.regime.elsewhere)
            )
            for step in self.flow.steps
            for outcome in step.outcomes
        }

        self.stops = self.regime.stops

    def job(self, shop: object, month: str) -> ClosedCase:
        case = super().job(shop, month)  # type: ignore[arg-type]
        last = case.results[-1]
        if self.rng.random() < self.chances[last.step, last.outcome]:
            return case
        return replace(case, cause="", proof="", claimed="")


@dataclass(frozen=True, slots=True)
class Found:
    """Total variation of the shares of causes, with and without the correction; and of branches that are right less
    than :data:`LOW`: how many, raw share less truth, corrected less truth, and how many 95 % intervals hold."""

    shares: float
    shares_raw: float
    branches: int
    raw: float
    corrected: float
    covered_raw: int
    covered: int


def found_in(flow: Flow, seed: Sequence[int], regime: Regime, jobs: int = 900) -> Found:
    rng = np.random.default_rng(seed)
    world = drawn(rng, flow, access=ACCESS, platforms=(PLATFORM,))
    shop = SomeVerified(world, rng, *HABITS[regime.habit], regime=regime)
    shop.close(jobs, 24)
    counts = count(flow, shop.tallies, as_of=LAST_MONTH, half_life=None)
    true_shares = dict(zip(world.causes, world.prior[PLATFORM], strict=True))
    truth = np.array([true_shares.get(cause, 0.0) for cause in counts.causes])
    truth[-1] = 1 - truth[:-1].sum()
    assert counts.causes[-1] == OTHER
    shares = [float(np.abs(prior - truth).sum() / 2) for prior in (prior_of(counts, PLATFORM), _raw_shares(counts))]
    true, sums = true_success(world), np.zeros(5)
    for branch, found in branch_evidence(counts, PLATFORM, level=IN_EXPORTS).items():
        if isinstance(found.rate, PooledRate) and found.jobs >= 5 and true[branch] < LOW:
            better = found.corrected or found.rate
            holds = [one.low - 1e-9 <= true[branch] <= one.high + 1e-9 for one in (found.rate, better)]
            sums += [1, found.rate.mean - true[branch], better.mean - true[branch], *holds]
    n = int(sums[0])
    return Found(*shares, n, float(sums[1]), float(sums[2]), int(sums[3]), int(sums[4]))


def _raw_shares(counts: FlowCounts) -> np.ndarray:
    """What the prior would be if every verified job counted the same."""
    kept = selection_bias.MOST_WEIGHT
    selection_bias.MOST_WEIGHT = 1.0  # type: ignore[misc]
    try:
        return prior_of(counts, PLATFORM)
    finally:
        selection_bias.MOST_WEIGHT = kept  # type: ignore[misc]


def told(found: Sequence[Found]) -> str:
    n = max(sum(one.branches for one in found), 1)
    cells = [
        f"{np.mean([one.shares_raw for one in found]):.3f}",
        f"{np.mean([one.shares for one in found]):.3f}",
        f"{n}",
        f"{sum(one.raw for one in found) / n:+.3f}",
        f"{sum(one.corrected for one in found) / n:+.3f}",
        f"{sum(one.covered_raw for one in found) / n:.0%}",
        f"{sum(one.covered for one in found) / n:.0%}",
    ]
    return " | ".join(cells)


def main(truths: int = 6, jobs: int = 900) -> None:
    lines = [
        f"Uneven verification, {truths} shops of {jobs} jobs for each procedure, seeds [31, 0] to [31, {truths - 1}]. "
        f"Shares of causes: total variation from the true ones. Branches right in under {LOW:.0%}: mean of what is "
        "said less what is true, and 95 % intervals that hold.",
        "",
        "| procedure | verified | shares, raw | shares, corrected | branches | raw | corrected | raw holds "
        "| corrected holds |",
        "| --- | --- " + "| ---: " * 7 + "|",
    ]
    for key in FLOWS:
        for regime in REGIMES:
            found = [found_in(SHELF[key], [31, seed], regime, jobs) for seed in range(truths)]
            lines.append(f"| {key} | {regime.name} | {told(found)} |")
            print(lines[-1], flush=True)
    keep("verified", "\n".join(lines))


if __name__ == "__main__":
    main()
