"""Tallies turned into the arrays that learning needs, for one flow: who took each branch, and what the cause was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shopkb.core.diagnosis.counting.ageing import HALF_LIFE, age_weight
from shopkb.core.diagnosis.counting.positions import positions
from shopkb.core.diagnosis.counting.tallies import SKIP, Tallies, TallyKey, TallySums
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.diagnosis.rates.pooling import IntArray, PlatformTree, platform_tree
from shopkb.core.flow.hand_overs import NO_HAND_OVER_CAUSES, OUT, HandOverCauses, ways_out
from shopkb.core.flow.model import Flow, Proof
from shopkb.core.flow.paths import causes_reachable

OTHER: Final = "other"
"""The cause that stands for all causes which a flow does not list."""

PROOF_WEIGHTS: Final[Mapping[str, float]] = MappingProxyType(
    {Proof.SEEN: 1.0, Proof.MEASURED: 1.0, Proof.SUBSTITUTED: 1.0, Proof.ELIMINATION: 0.5}
)
"""Weight of a proven cause in likelihoods, by proof. Elimination is circular evidence and counts half."""


@dataclass(frozen=True, slots=True)
class BranchReach:
    """Identities of the causes that can still be found after a branch; ``beyond`` when a hand-over to a procedure
    that is not known here can follow, so that nothing can be said about causes the flow does not list.
    ``hand_overs`` are the procedures that may be handed over to, ``out`` says that the search may end with nothing
    found."""

    causes: frozenset[str]
    beyond: bool
    hand_overs: frozenset[str] = frozenset()
    out: bool = False


@dataclass(frozen=True, eq=False)
class FlowCounts:
    """What closed jobs say about one flow.

    Rows of ``verified`` and entries of ``traffic`` follow ``branches``; columns follow ``causes``: the identities that
    the flow lists, one for each part ``behind`` its hand-overs, and :data:`OTHER`. Both are weighted by age,
    ``verified`` by proof as well, and are of all platforms. ``verified`` leaves out jobs on which two causes were
    found: what their results say of either alone is not known. ``minutes`` is steps x 3: jobs with a known time, their
    minutes and minutes squared, weighted by age. ``whole`` is 2 x branches, not weighted: jobs with this result,
    wherever it was got, and those of them that are verified. ``on_way`` is ``verified`` of those who came to the branch
    on the written way alone.
    """

    flow: Flow
    causes: tuple[str, ...]
    branches: tuple[tuple[str, str], ...]
    reach: tuple[BranchReach, ...]
    tree: PlatformTree
    verified: Array
    traffic: Array
    minutes: Array
    whole: Array
    on_way: Array
    runs: Array
    """Platforms x causes: verified runs of the procedure by cause, weighted by age. How a cause was proven does not
    change how often it comes."""
    by_platform: PlatformCounts
    skipped: Mapping[str, Mapping[str, int]]
    """Step to reason to jobs."""
    left_out: Mapping[tuple[str, str], int]
    """Jobs of steps and outcomes that this flow does not have, by (step, outcome)."""
    negative: int
    """How many tallies were below 0 and read as 0: something was taken back that was never added."""
    behind: HandOverCauses = NO_HAND_OVER_CAUSES
    """What the procedures handed over to can find."""

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

    ``traffic`` took the branch: they came to it on the written way, by the ways that lead to it in this flow, and what
    was got off it or by the ways of another edition is not among them. ``jobs`` of them are verified and can be judged;
    ``wins`` of those had a cause that was still reachable; ``eliminated`` of the wins were proven by elimination only.
    Wherever the result was got, ``rejected`` repaired what the branch named without a cure, and ``came_back`` had
    claimed a cause and came back. The ``weighted`` ones are weighted by age.
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
    cured_first: Array


def count(
    flow: Flow,
    tallies: Tallies,
    *,
    as_of: str,
    half_life: float | None = HALF_LIFE,
    proof_weights: Mapping[str, float] = PROOF_WEIGHTS,
    beyond: Mapping[str, frozenset[str]] = MappingProxyType({}),
    platforms: tuple[str, ...] = (),
    behind: HandOverCauses = NO_HAND_OVER_CAUSES,
) -> FlowCounts:
    """Read the tallies of ``flow.procedure``. O(tallies).

    ``as_of`` is the month (``YYYY-MM``) from which age is told; ``None`` as ``half_life`` forgets nothing. ``beyond``
    gives the identities that other procedures can find, for hand-overs. ``platforms`` are put in the tree even if no
    job has one of them. A cause that the flow does not list counts as the part ``behind`` that it belongs to, else as
    :data:`OTHER`; a step or outcome that the flow does not have is told in ``left_out`` and else ignored.
    """
    mine = [(key, sums) for key, sums in tallies.items() if key.procedure == flow.procedure]
    paths = {key.platform for key, _ in mine}
    counting = _Counting(flow, platform_tree([*platforms, *paths]), beyond, behind)
    ages = {month: age_weight(month, as_of, half_life) for month in {key.month for key, _ in mine}}
    sums = np.array([_numbers(part) for _, part in mine], dtype=np.float64).reshape(len(mine), 8)
    sound = np.asarray(sums.min(axis=1, initial=0.0) >= 0)
    counting.negative = int((~sound).sum())
    keys = [key for (key, _), yes in zip(mine, sound.tolist(), strict=True) if yes]
    weights = np.array([ages[key.month] for key in keys])
    proofs = np.array([proof_weights.get(key.proof, 1.0) for key in keys])
    return counting.counted(keys, sums[sound], weights, proofs)


def _numbers(sums: TallySums) -> tuple[int, ...]:
    return (
        sums.count, sums.timed, sums.seconds, sums.seconds_squared, sums.came_back, sums.rejected, sums.together,
        sums.cured_first,
    )  # fmt: skip


def branch_reach(flow: Flow, beyond: Mapping[str, frozenset[str]]) -> tuple[BranchReach, ...]:
    """For each branch, in the flow's order: what can still be found after it."""
    return tuple(_reach(flow, step.key, outcome.key, beyond) for step, outcome in flow.branches)


def _reach(flow: Flow, step: str, outcome: str, beyond: Mapping[str, frozenset[str]]) -> BranchReach:
    keys = causes_reachable(flow, step, outcome)
    found = {flow.cause_by_key[key].identity for key in keys if key in flow.cause_by_key}
    ways = ways_out(flow, step, outcome)
    procedures = ways - {OUT}
    for procedure in procedures:
        found |= beyond.get(procedure, frozenset())
    unknown = any(procedure not in beyond for procedure in procedures)
    return BranchReach(frozenset(found), unknown, procedures, OUT in ways)


@dataclass(eq=False)
class _Counting:
    """Tallies as columns of numbers, summed by where they belong."""

    flow: Flow
    tree: PlatformTree
    beyond: Mapping[str, frozenset[str]]
    behind: HandOverCauses
    negative: int = 0

    def __post_init__(self) -> None:
        flow = self.flow
        self.listed = dict.fromkeys(cause.identity for cause in flow.causes)
        self.causes = (*self.listed, *(part.identity for part in self.behind.parts), OTHER)
        self.column = {identity: place for place, identity in enumerate(self.causes)}
        self.column.update({cause: self.column[part.identity] for part in self.behind.parts for cause in part.causes})
        self.branches = tuple((step.key, outcome.key) for step, outcome in flow.branches)
        self.row = {branch: place for place, branch in enumerate(self.branches)}
        self.step_place = {step.key: place for place, step in enumerate(flow.steps)}
        self.reach = branch_reach(flow, self.beyond)
        self.position = positions(flow)

    def counted(self, keys: Sequence[TallyKey], sums: Array, age: Array, proof: Array) -> FlowCounts:
        """``sums`` is keys x 8, in the order of :class:`TallySums`; ``age`` and ``proof`` are weights by key."""
        node = _places(keys, self.tree)
        cause = np.array([self.column.get(key.cause, len(self.causes) - 1) for key in keys], dtype=np.intp)
        row = np.array([self.row.get((key.step, key.outcome), -1) for key in keys], dtype=np.intp)
        told = np.array([bool(key.cause) for key in keys], dtype=bool)
        of_run = np.array([not key.step for key in keys], dtype=bool)
        here = ~of_run & (row >= 0)
        size = len(self.branches), len(self.causes)
        alone = np.maximum(sums[:, 0] - sums[:, 6], 0.0)
        seen, runs = here & told, of_run & told
        taken = here & np.array([not key.position or key.position == self.position.get(key.step) for key in keys], bool)
        skipped, left_out = self._without_branch([key for key, yes in zip(keys, here | of_run, strict=True) if not yes],
                                                 sums[~(here | of_run), 0])  # fmt: skip
        return FlowCounts(
            self.flow, self.causes, self.branches, self.reach, self.tree,
            verified=_summed(size, (row, cause), age * proof * alone, seen),
            traffic=_summed(size[:1], (row,), age * sums[:, 0], here),
            minutes=self._minutes(row, age[:, None] * sums[:, 1:4] / [1, 60, 3600], here),
            whole=np.stack([_summed(size[:1], (row,), sums[:, 0], chosen) for chosen in (here, seen)]),
            on_way=_summed(size, (row, cause), age * proof * alone, seen & taken),
            runs=_summed((len(self.tree.paths), size[1]), (node, cause), age * sums[:, 0], runs),
            by_platform=self._by_platform(keys, node, row, sums, age, here, taken, seen & taken),
            skipped=skipped, left_out=left_out, negative=self.negative, behind=self.behind,
        )  # fmt: skip

    def _minutes(self, row: IntArray, timed: Array, here: NDArray[np.bool_]) -> Array:
        places = np.array([self.step_place[step] for step, _ in self.branches] or [0], dtype=np.intp)
        step = places[np.maximum(row, 0)]
        size = (len(self.flow.steps),)
        return np.stack([_summed(size, (step,), timed[:, part], here) for part in range(3)], axis=1)

    def _by_platform(
        self, keys: Sequence[TallyKey], node: IntArray, row: IntArray, sums: Array, age: Array,
        here: NDArray[np.bool_], taken: NDArray[np.bool_], seen: NDArray[np.bool_],
    ) -> PlatformCounts:  # fmt: skip
        right, judged = (np.zeros(len(keys), dtype=bool) for _ in range(2))
        weak = np.array([key.proof == Proof.ELIMINATION for key in keys], dtype=bool)
        for place in np.flatnonzero(seen).tolist():
            reach, identity = self.reach[row[place]], keys[place].cause
            right[place] = identity in reach.causes
            judged[place] = right[place] or not (reach.beyond and identity not in self.listed)

        def summed(values: Array, chosen: NDArray[np.bool_]) -> Array:
            return _summed((len(self.tree.paths), len(self.branches)), (node, row), values, chosen)

        count = sums[:, 0]
        return PlatformCounts(
            traffic=summed(count, taken), jobs=summed(count, judged), wins=summed(count, right),
            eliminated=summed(count, right & weak), rejected=summed(sums[:, 5], here),
            came_back=summed(sums[:, 4], here), weighted_jobs=summed(age * count, judged),
            weighted_wins=summed(age * count, right), all_verified=summed(count, seen),
            cured_first=summed(sums[:, 7], seen),
        )  # fmt: skip

    def _without_branch(
        self, keys: Sequence[TallyKey], count: Array
    ) -> tuple[dict[str, dict[str, int]], dict[tuple[str, str], int]]:
        skipped: dict[str, dict[str, int]] = {}
        left_out: dict[tuple[str, str], int] = {}
        for key, jobs in zip(keys, count.astype(int).tolist(), strict=True):
            if key.outcome.startswith(SKIP) and key.step in self.step_place:
                reasons, reason = skipped.setdefault(key.step, {}), key.outcome.removeprefix(SKIP)
                reasons[reason] = reasons.get(reason, 0) + jobs
            elif jobs:
                left_out[key.step, key.outcome] = left_out.get((key.step, key.outcome), 0) + jobs
        return skipped, left_out


def _places(keys: Sequence[TallyKey], tree: PlatformTree) -> IntArray:
    """The node of each key's platform."""
    known = {
        path: tree.index["/".join(part for part in path.split("/") if part)] for path in {key.platform for key in keys}
    }
    return np.array([known[key.platform] for key in keys], dtype=np.intp)


def _summed(size: tuple[int, ...], where: tuple[IntArray, ...], values: Array, chosen: NDArray[np.bool_]) -> Array:
    """The chosen values added up at their places in an array of this size."""
    if not chosen.any():
        return np.zeros(size)
    flat = np.ravel_multi_index(tuple(part[chosen] for part in where), size)
    return np.asarray(np.bincount(flat, values[chosen], int(np.prod(size))), dtype=np.float64).reshape(size)
