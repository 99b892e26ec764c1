"""State of the procedure library: branches that have drifted, symptoms without a procedure, when each was last used.
Pure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from shopkb.core.diagnosis.counting.flow_counts import BranchReach, branch_reach
from shopkb.core.diagnosis.counting.positions import positions
from shopkb.core.diagnosis.counting.tallies import Tallies
from shopkb.core.flow.model import Flow
from shopkb.jobs.job_facts import JobFact
from shopkb.reports.figures.shares import Share

RECENT_MONTHS = 6
DRIFTED = 2.0
"""Natural logarithm of the Bayes factor above which a branch counts as drifted."""


@dataclass(frozen=True, slots=True)
class DriftedBranch:
    """A branch whose success in the latest months differs from before: share of the proven jobs whose cause lies behind
    it."""

    procedure: str
    step: str
    outcome: str
    before: Share
    of_late: Share
    log_bayes: float


def drifted_branches(flow: Flow, whole: Tallies, of_late: Tallies, least: float = DRIFTED) -> tuple[DriftedBranch, ...]:
    """Branches that have drifted, clearest first: those of late, which are part of the whole, against the rest."""
    everything, recent = (branch_shares(flow, tallies) for tallies in (whole, of_late))
    found = []
    for (step, outcome), now in recent.items():
        then = _without(everything[step, outcome], now)
        if then.whole and now.whole and (logarithm := log_bayes(then, now)) > least:
            found.append(DriftedBranch(flow.procedure, step, outcome, then, now, logarithm))
    return tuple(sorted(found, key=lambda drift: -drift.log_bayes))


def _without(whole: Share, part: Share) -> Share:
    jobs = max(0, whole.whole - part.whole)
    return Share(min(jobs, max(0, whole.part - part.part)), jobs)


def branch_shares(flow: Flow, tallies: Tallies) -> dict[tuple[str, str], Share]:
    """Of the proven jobs that took each branch on the written way, those whose cause could still be found behind it; as
    :func:`shopkb.core.diagnosis.counting.flow_counts.count` counts them, without all else that it works out."""
    branches = [(step.key, outcome.key) for step, outcome in flow.branches]
    reach = dict(zip(branches, branch_reach(flow, {}), strict=True))
    own, place = {cause.identity for cause in flow.causes}, positions(flow)
    wins, jobs = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
    for key, sums in tallies.items():
        branch = (key.step, key.outcome)
        on_way = not key.position or key.position == place.get(key.step)
        if key.cause and on_way and branch in reach and sums.count > 0 and _judged(reach[branch], key.cause, own):
            jobs[branch] += sums.count
            wins[branch] += sums.count * (key.cause in reach[branch].causes)
    return {branch: Share(wins[branch], jobs[branch]) for branch in branches}


def _judged(reach: BranchReach, cause: str, own: Collection[str]) -> bool:
    """A cause that only a hand-over could find says nothing about the branch."""
    return cause in reach.causes or not reach.beyond or cause in own


def log_bayes(one: Share, other: Share) -> float:
    """Natural logarithm of the Bayes factor for two rates against one, each with the prior Beta(1/2, 1/2)
    (R. Kass and A. Raftery, J. American Statistical Association 90, 1995)."""
    parts = [(s.part + 0.5, s.whole - s.part + 0.5) for s in (one, other)]
    together = (one.part + other.part + 0.5, one.whole + other.whole - one.part - other.part + 0.5)
    return sum(_log_beta(a, b) for a, b in parts) - _log_beta(*together) - _log_beta(0.5, 0.5)


def _log_beta(a: float, b: float) -> float:
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


@dataclass(frozen=True, slots=True)
class UnservedSymptom:
    """A symptom that jobs came in with and no procedure in force is for; key, name and number of jobs."""

    symptom: str
    name: str
    jobs: int


def without_procedure(
    jobs: Iterable[JobFact], names: Mapping[str, str], served: Iterable[str]
) -> tuple[UnservedSymptom, ...]:
    """Most jobs first. ``served`` are the symptoms that procedures in force are for."""
    cared = set(served)
    counts = Counter(job.symptom for job in jobs if job.symptom and job.symptom not in cared)
    return tuple(
        UnservedSymptom(key, names.get(key, key), n) for key, n in sorted(counts.items(), key=lambda p: (-p[1], p[0]))
    )


def latest_month(tallies: Tallies, procedure: str) -> str:
    """The last month in which a job that followed the procedure was closed; empty for none."""
    met = (key.month for key, sums in tallies.items() if key.procedure == procedure and not key.step and sums.count > 0)
    return max(met, default="")
