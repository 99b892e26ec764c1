"""Branch success without pooling over platforms: what the pooled rates are held against."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from django.db.models import Sum

from shopkb.charts.branch_notes import BranchNote
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums
from shopkb.core.diagnosis.rates.intervals import jeffreys
from shopkb.core.flow.model import Flow
from shopkb.core.flow.paths import causes_reachable
from shopkb.evidence.learning import SUM_FIELDS
from shopkb.evidence.models import Tally

LEVEL = 0.8


def tallies(procedure: str) -> dict[TallyKey, TallySums]:
    """The procedure's tallies, summed over platforms and months. One query; size does not grow with jobs."""
    rows = (
        Tally.objects.of(procedure)
        .values("step", "outcome", "cause", "proof")
        .annotate(**{f"sum_{name}": Sum(name) for name in SUM_FIELDS})
        .order_by()
    )
    return {
        TallyKey(procedure, row["step"], row["outcome"], row["cause"], row["proof"], "", ""): TallySums(
            *(row[f"sum_{name}"] for name in SUM_FIELDS)
        )
        for row in rows
    }


def branch_notes(flow: Flow, found: Mapping[TallyKey, TallySums]) -> dict[tuple[str, str], BranchNote]:
    """Traffic and success of every branch of ``flow``.

    Success: of the verified closed jobs that took the branch, the share whose confirmed cause can still be reached
    through it; interval by Jeffreys (Brown, Cai and DasGupta 2001).
    """
    traffic: dict[tuple[str, str], int] = defaultdict(int)
    by_cause: dict[tuple[str, str], dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for key, sums in found.items():
        branch = (key.step, key.outcome)
        traffic[branch] += sums.count
        if key.cause:
            by_cause[branch][key.cause] += sums.count
    return {
        (step.key, outcome.key): _note(flow, step.key, outcome.key, traffic, by_cause)
        for step in flow.steps
        for outcome in step.outcomes
    }


def _note(
    flow: Flow,
    step: str,
    outcome: str,
    traffic: Mapping[tuple[str, str], int],
    by_cause: Mapping[tuple[str, str], Mapping[str, int]],
) -> BranchNote:
    within = {flow.cause_by_key[key].identity for key in causes_reachable(flow, step, outcome)}
    counts = by_cause.get((step, outcome), {})
    jobs = sum(counts.values())
    successes = sum(count for cause, count in counts.items() if cause in within)
    if jobs <= 0:
        return BranchNote(jobs=0, successes=0, traffic=max(0, traffic.get((step, outcome), 0)), low=None, high=None)
    rate = jeffreys(successes, jobs, level=LEVEL)
    return BranchNote(
        jobs=jobs, successes=successes, traffic=traffic.get((step, outcome), 0), low=rate.low, high=rate.high
    )
