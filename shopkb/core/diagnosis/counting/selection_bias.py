"""Correction of selection bias: a verified job is weighted by all the jobs that ended as it did.

Only verified jobs tell their cause, and jobs that end in an easy place are verified more often. Whether a job gets
verified may depend on where it ended, but not on the cause beyond that; then weighing each verified job by jobs over
verified jobs at its end gives what all jobs would have told (C. Begg and R. Greenes, Biometrics 39, 1983, for one test;
the weights are those of D. Horvitz and D. Thompson, JASA 47, 1952, cut to a range as S. Cole and M. Hernan advise in
Am. J. Epidemiology 168, 2008).

Tallies do not say where the jobs of a branch ended. Along the flow that follows, from what was got on the written way:
exactly where every step is reached by one branch only, and where ways meet as long as what happens behind a step
depends on the cause alone. A test put off is no end; leaving the written way before a step is one, with the share
verified of all jobs that did.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shopkb.core.diagnosis.counting.flow_counts import FlowCounts
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Flow, Go, GoKind
from shopkb.core.flow.paths import order

VERIFIED_ENOUGH: Final = 20
PULL: Final = 5.0
"""Ends with fewer verified jobs are drawn towards the average share, as by so many jobs where none is verified and ever
less up to 20: a share known from three jobs is no share, and no single job may turn a figure over."""

MOST_WEIGHT: Final = 3.0
"""No job counts more than this many times, or less than this part of, an average one."""

SHARES_DIFFER: Final = 0.20
FEW: Final = 5
"""The correction is told where verified shares of ends with so many verified jobs differ by more than that."""


@dataclass(frozen=True, eq=False)
class VerificationWeights:
    """Weight of a verified job, by branch and cause, and by step (any of its branches) and cause; 1 on average.

    ``told`` holds the steps behind which verified shares differ by more than 20 points.
    """

    branches: Array
    steps: dict[str, Array]
    corrected_steps: frozenset[str]


def end_weights(traffic: Array, verified: Array) -> Array:
    """Weight of a verified job by end, from whole jobs and verified ones at each end; 1 where nothing is known."""
    known = verified > 0
    if not known.any():
        return np.ones(traffic.size)
    average = verified[known].sum() / np.maximum(traffic, verified)[known].sum()
    pull = PULL * np.maximum(1 - verified / VERIFIED_ENOUGH, 0.0)
    share = (verified + pull * average) / np.where(known, np.maximum(traffic, verified) + pull, 1.0)
    weights: Array = np.where(known, average / np.where(known, share, 1.0), 1.0)
    return np.clip(weights, 1 / MOST_WEIGHT, MOST_WEIGHT)


def shares_differ(traffic: Array, verified: Array) -> bool:
    """Whether verified shares differ by more than 20 points between ends that have enough verified jobs."""
    known = verified >= FEW
    if known.sum() < 2:
        return False
    shares = verified[known] / np.maximum(traffic[known], verified[known])
    return bool(shares.max() - shares.min() > SHARES_DIFFER)


def verification_weights(counts: FlowCounts) -> VerificationWeights:
    """Weights for every branch and step of the flow. O(branches x causes)."""
    return _Backward(counts).weights()


class _Backward:
    """From the ends to the start. An end is a branch that leads to no step, or leaving the written way (stopping,
    leaving a test out, going on out of order) before a step; ``ends`` maps each to its place in ``traffic`` and
    ``verified``, whole jobs."""

    def __init__(self, counts: FlowCounts) -> None:
        self.counts, self.flow = counts, counts.flow
        here = counts.by_platform
        self.by_branch = here.traffic.sum(axis=0), here.all_verified.sum(axis=0)
        self.arriving = _arriving(counts)
        self.ends: dict[tuple[str, str], int] = {}
        traffic: list[float] = []
        verified: list[float] = []
        for (step, outcome), row in counts.row_of.items():
            if not _next_step(self.flow, self.flow.step_by_key[step].outcome(outcome).go):
                self._end((step, outcome), traffic, verified, *(float(jobs[row]) for jobs in self.by_branch))
        for step, rows in self.arriving.items():
            left = (float(jobs[rows].sum() - jobs[counts.rows_of_step[step]].sum()) for jobs in self.by_branch)
            self._end((step, ""), traffic, verified, *left)
        self.traffic, self.verified = np.array(traffic), np.array(verified)

    def _end(self, end: tuple[str, str], traffic: list[float], verified: list[float], jobs: float, of: float) -> None:
        self.ends[end] = len(traffic)
        verified.append(max(min(of, jobs), 0.0))
        traffic.append(max(jobs, 0.0))

    def weights(self) -> VerificationWeights:
        by_end = end_weights(self.traffic, self.verified)
        found = np.ones((len(self.counts.branches), len(self.counts.causes)))
        steps: dict[str, Array] = {}
        behind: dict[str, set[int]] = {}
        for key in reversed(order(self.flow)):
            ends: set[int] = set()
            for outcome in self.flow.step_by_key[key].outcomes:
                row, there = self.counts.row_of[key, outcome.key], _next_step(self.flow, outcome.go)
                if not there:
                    ends.add(self.ends[key, outcome.key])
                    found[row] = by_end[self.ends[key, outcome.key]]
                elif there in steps:  # else the branch closes a loop of a draft
                    ends |= behind[there]
                    found[row] = steps[there]
            stopped = self.ends.get((key, ""))
            ends |= {stopped} if stopped is not None else set()
            behind[key] = ends
            steps[key] = self._at(key, found, by_end[stopped] if stopped is not None else 1.0)
        corrected_steps = {key for key, ends in behind.items() if self._differ(sorted(ends))}
        return VerificationWeights(found, steps, frozenset(corrected_steps))

    def _at(self, key: str, found: Array, of_stopping: float) -> Array:
        """Mean weight by cause of the verified jobs that come to a step."""
        verified, rows = self.counts.on_way, self.counts.rows_of_step[key]
        jobs = verified[rows].sum(axis=0)
        stopped = np.maximum(verified[self.arriving[key]].sum(axis=0) - jobs, 0.0) if key in self.arriving else 0 * jobs
        weight = (verified[rows] * found[rows]).sum(axis=0) + stopped * of_stopping
        total = jobs + stopped
        mean: Array = np.where(total > 0, weight / np.where(total > 0, total, 1.0), 1.0)
        return mean

    def _differ(self, ends: list[int]) -> bool:
        return shares_differ(self.traffic[ends], self.verified[ends])


def _next_step(flow: Flow, go: Go) -> str:
    return go.key if go.kind is GoKind.STEP and go.key in flow.step_by_key else ""


def _arriving(counts: FlowCounts) -> dict[str, list[int]]:
    """For each step that branches lead to: their rows."""
    found: dict[str, list[int]] = {}
    for (step, outcome), row in counts.row_of.items():
        there = _next_step(counts.flow, counts.flow.step_by_key[step].outcome(outcome).go)
        if there:
            found.setdefault(there, []).append(row)
    return found
