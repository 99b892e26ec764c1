"""Tallies turned into the arrays that learning needs, for one flow: who took each branch, and what the cause was."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import Final

import numpy as np

from shopkb.core.diagnosis.ageing import HALF_LIFE, age_weight
from shopkb.core.diagnosis.pooling import PlatformTree, platform_tree
from shopkb.core.diagnosis.rates import Array
from shopkb.core.diagnosis.tallies import SKIP, Tallies, TallyKey, TallySums
from shopkb.core.flow.model import Flow, GoKind, Proof
from shopkb.core.flow.paths import causes_reachable, next_steps

OTHER: Final = "other"
"""Stands beside the causes of a flow for whatever the flow does not know."""

PROOF_WEIGHTS: Final[Mapping[str, float]] = MappingProxyType(
    {Proof.SEEN: 1.0, Proof.MEASURED: 1.0, Proof.SUBSTITUTED: 1.0, Proof.ELIMINATION: 0.5}
)
"""What a proven cause counts in likelihoods and priors. Elimination confirms itself, so it counts half."""


@dataclass(frozen=True, slots=True)
class BranchReach:
    """Identities of the causes that can still be found after a branch; ``beyond`` when a hand-over to a procedure
    that is not known here can follow, so that nothing can be said about causes the flow does not list."""

    causes: frozenset[str]
    beyond: bool


@dataclass(frozen=True, eq=False)
class FlowCounts:
    """What closed jobs say about one flow.

    Rows of ``verified`` and entries of ``traffic`` follow ``branches``; columns follow ``causes`` (identities, the last
    one :data:`OTHER`). Both are weighted by age, ``verified`` by proof as well, and are of all platforms. ``verified``
    leaves out jobs on which two causes were found: what their results say of either alone is not known.
    ``minutes`` is steps x 3: jobs with a known time, their minutes and minutes squared, weighted by age.
    """

    flow: Flow
    causes: tuple[str, ...]
    branches: tuple[tuple[str, str], ...]
    reach: tuple[BranchReach, ...]
    tree: PlatformTree
    verified: Array
    traffic: Array
    minutes: Array
    runs: Array
    """Platforms x causes: verified runs of the procedure by cause, weighted by age and proof."""
    by_platform: PlatformCounts
    skipped: Mapping[str, Mapping[str, int]]
    """Step to reason to jobs."""
    left_out: Mapping[tuple[str, str], int]
    """Jobs of steps and outcomes that this flow does not have, by (step, outcome)."""
    negative: int
    """How many tallies were below 0 and read as 0: something was taken back that was never added."""

    @cached_property
    def row_of(self) -> dict[tuple[str, str], int]:
        return {branch: row for row, branch in enumerate(self.branches)}

    @cached_property
    def rows_of_step(self) -> dict[str, slice]:
        rows: dict[str, slice] = {}
        start = 0
        for step in self.flow.steps:
            rows[step.key] = slice(start, start + len(step.outcomes))
            start += len(step.outcomes)
        return rows


@dataclass(frozen=True, eq=False)
class PlatformCounts:
    """Jobs at each platform (rows) and branch (columns), counted directly there.

    ``traffic`` took the branch; ``jobs`` of them are verified and can be judged; ``wins`` of those had a cause that was
    still reachable; ``eliminated`` of the wins were proven by elimination only. ``rejected`` repaired what the branch
    named without a cure; ``came_back`` had claimed a cause and came back. The ``weighted`` ones are weighted by age.
    """

    traffic: Array
    jobs: Array
    wins: Array
    eliminated: Array
    rejected: Array
    came_back: Array
    weighted_jobs: Array
    weighted_wins: Array
    all_verified: Array


def count(
    flow: Flow,
    tallies: Tallies,
    *,
    as_of: str,
    half_life: float | None = HALF_LIFE,
    proof_weights: Mapping[str, float] = PROOF_WEIGHTS,
    beyond: Mapping[str, frozenset[str]] = MappingProxyType({}),
    platforms: tuple[str, ...] = (),
) -> FlowCounts:
    """Read the tallies of ``flow.procedure``. O(tallies).

    ``as_of`` is the month (``YYYY-MM``) from which age is told; ``None`` as ``half_life`` forgets nothing. ``beyond``
    gives the identities that other procedures can find, for hand-overs. ``platforms`` are put in the tree even if no
    job has one of them. A cause that the flow does not list counts as :data:`OTHER`; a step or outcome that the flow
    does not have is told in ``left_out`` and else ignored.
    """
    mine = {key: sums for key, sums in tallies.items() if key.procedure == flow.procedure}
    builder = _Counting(flow, platform_tree([*platforms, *(key.platform for key in mine)]), beyond)
    weights: dict[str, float] = {}
    for key, sums in mine.items():
        if key.month not in weights:
            weights[key.month] = age_weight(key.month, as_of, half_life)
        proof = proof_weights.get(key.proof, 1.0) if key.cause else 0.0
        builder.add(key, sums, weights[key.month], proof)
    return builder.finish()


def branch_reach(flow: Flow, beyond: Mapping[str, frozenset[str]]) -> tuple[BranchReach, ...]:
    """For each branch, in the flow's order: what can still be found after it."""
    return tuple(_reach(flow, step.key, outcome.key, beyond) for step in flow.steps for outcome in step.outcomes)


def _reach(flow: Flow, step: str, outcome: str, beyond: Mapping[str, frozenset[str]]) -> BranchReach:
    keys = causes_reachable(flow, step, outcome)
    found = {flow.cause_by_key[key].identity for key in keys if key in flow.cause_by_key}
    procedures = _hand_overs(flow, step, outcome)
    for procedure in procedures:
        found |= beyond.get(procedure, frozenset())
    return BranchReach(frozenset(found), any(procedure not in beyond for procedure in procedures))


def _hand_overs(flow: Flow, step: str, outcome: str) -> set[str]:
    go = flow.step_by_key[step].outcome(outcome).go
    if go.kind is GoKind.HAND_OVER:
        return {go.key}
    met = {go.key} if go.kind is GoKind.STEP and go.key in flow.step_by_key else set()
    pending, found = list(met), set[str]()
    while pending:
        here = pending.pop()
        found |= {o.go.key for o in flow.step_by_key[here].outcomes if o.go.kind is GoKind.HAND_OVER}
        fresh = [there for there in next_steps(flow, here) if there not in met]
        met.update(fresh)
        pending += fresh
    return found


@dataclass(eq=False)
class _Counting:
    flow: Flow
    tree: PlatformTree
    beyond: Mapping[str, frozenset[str]]
    skipped: dict[str, dict[str, int]] = field(default_factory=lambda: defaultdict(lambda: defaultdict(int)))
    left_out: dict[tuple[str, str], int] = field(default_factory=lambda: defaultdict(int))
    negative: int = 0

    def __post_init__(self) -> None:
        flow = self.flow
        self.causes = (*dict.fromkeys(cause.identity for cause in flow.causes), OTHER)
        self.column = {identity: place for place, identity in enumerate(self.causes)}
        self.branches = tuple((step.key, outcome.key) for step in flow.steps for outcome in step.outcomes)
        self.row = {branch: place for place, branch in enumerate(self.branches)}
        self.step_place = {step.key: place for place, step in enumerate(flow.steps)}
        self.reach = branch_reach(flow, self.beyond)
        nodes, branches = len(self.tree.paths), len(self.branches)
        self.verified = np.zeros((branches, len(self.causes)))
        self.traffic = np.zeros(branches)
        self.minutes = np.zeros((len(flow.steps), 3))
        self.runs = np.zeros((nodes, len(self.causes)))
        self.platform = PlatformCounts(*(np.zeros((nodes, branches)) for _ in range(9)))

    def add(self, key: TallyKey, sums: TallySums, age: float, proof: float) -> None:
        if sums.below_zero:
            self.negative += 1
            return
        node = self.tree.index["/".join(part for part in key.platform.split("/") if part)]
        column = self.column.get(key.cause, len(self.causes) - 1)
        if not key.step:
            if key.cause:
                self.runs[node, column] += age * proof * sums.count
            return
        row = self.row.get((key.step, key.outcome))
        if row is None:
            self._without_branch(key, sums)
            return
        self._branch(key, sums, node, row, age)
        if key.cause:
            self.verified[row, column] += age * proof * max(sums.count - sums.together, 0)
        self.traffic[row] += age * sums.count
        minutes = np.array([sums.timed, sums.seconds / 60, sums.seconds_squared / 3600])
        self.minutes[self.step_place[key.step]] += age * minutes

    def _without_branch(self, key: TallyKey, sums: TallySums) -> None:
        if key.outcome.startswith(SKIP) and key.step in self.step_place:
            self.skipped[key.step][key.outcome.removeprefix(SKIP)] += sums.count
        elif sums.count:
            self.left_out[key.step, key.outcome] += sums.count

    def _branch(self, key: TallyKey, sums: TallySums, node: int, row: int, age: float) -> None:
        here, at = self.platform, (node, row)
        here.traffic[at] += sums.count
        here.rejected[at] += sums.rejected
        here.came_back[at] += sums.came_back
        if not key.cause:
            return
        here.all_verified[at] += sums.count
        reach = self.reach[row]
        if key.cause in reach.causes:
            here.wins[at] += sums.count
            here.weighted_wins[at] += age * sums.count
            here.eliminated[at] += sums.count * (key.proof == Proof.ELIMINATION)
        elif reach.beyond and key.cause not in self.column:
            return
        here.jobs[at] += sums.count
        here.weighted_jobs[at] += age * sums.count

    def finish(self) -> FlowCounts:
        skipped = {step: dict(reasons) for step, reasons in self.skipped.items()}
        return FlowCounts(
            self.flow, self.causes, self.branches, self.reach, self.tree, self.verified, self.traffic, self.minutes,
            self.runs, self.platform, skipped, dict(self.left_out), self.negative,
        )  # fmt: skip
