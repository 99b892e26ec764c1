"""Success rate of each branch of a flow on one platform, and the jobs it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shopkb.core.diagnosis.counting.flow_counts import OTHER, FlowCounts
from shopkb.core.diagnosis.counting.selection_bias import verification_weights
from shopkb.core.diagnosis.rates.hierarchical import MARGIN, PooledRate, hierarchical_rates, learn_weights
from shopkb.core.diagnosis.rates.intervals import Array, NoEvidence
from shopkb.core.diagnosis.rates.pooling import PlatformTree, platform_tree
from shopkb.core.flow.model import GoKind
from shopkb.core.identifiers import is_within

ON_SCREEN, IN_EXPORTS = 0.8, 0.95
"""Levels of the intervals people see, and of those they take away."""

FEWEST: Final = 5
"""Verified jobs on either side below which no platform is said to differ."""


@dataclass(frozen=True, slots=True)
class BranchEvidence:
    """One branch on one platform and those below it, in whole jobs.

    ``traffic`` took the branch on the written way; ``verified`` of them have a proven cause; ``jobs`` of those can be
    judged and ``successes`` of these had a cause still reachable, ``by_elimination`` of them proven by elimination
    only. ``rejected`` repaired what the branch named without a cure, ``came_back`` came back after a cure was claimed.
    ``cured_first`` of the verified were cured by their first repair.
    """

    rate: PooledRate | NoEvidence
    traffic: int
    verified: int
    jobs: int
    successes: int
    by_elimination: int
    rejected: int
    came_back: int
    cured_first: int = 0
    corrected: PooledRate | None = None

    @property
    def words(self) -> str:
        """What the rate rests on, in one sentence."""
        if not isinstance(self.rate, PooledRate):
            return "No closed job says anything about this branch yet."
        if not self.jobs:
            return (
                "No verified job on this platform came to this branch as written; the figure is borrowed from others."
            )
        jobs = "1 verified job" if self.jobs == 1 else f"{self.jobs} verified jobs"
        reached = f"In {self.successes} of {jobs} that came here as written the proven cause could still be reached"
        weak = f", {self.by_elimination} of them by elimination only" if self.by_elimination else ""
        lent = f"; {self.rate.borrowed_share:.0%} of the figure is borrowed" if self.rate.borrowed_share >= 0.05 else ""
        return f"{reached}{weak}{lent}.{self.words_of_correction}{self.words_of_difference}"

    @property
    def words_of_correction(self) -> str:
        """Where some ends behind this branch are verified more often than others, a sentence that corrects the rate for
        it; else empty."""
        rate = self.corrected
        if rate is None:
            return ""
        return f" Corrected for what was verified: {rate.mean:.0%} ({rate.low:.0%} to {rate.high:.0%})."

    @property
    def words_of_difference(self) -> str:
        """Where this platform differs from all other vehicles, a sentence that says so; else empty."""
        rate = self.rate
        if not isinstance(rate, PooledRate) or not rate.differs or rate.elsewhere is None:
            return ""
        return f" This platform differs: {rate.mean:.0%} here, {rate.elsewhere:.0%} on all others."


def branch_evidence(
    counts: FlowCounts, platform: str = "", weights: Sequence[float] = (), level: float = ON_SCREEN
) -> dict[tuple[str, str], BranchEvidence]:
    """Evidence of every branch, by (step, outcome), in the flow's order. ``weights`` as for
    :func:`hierarchical.hierarchical_rates`.

    A platform without jobs takes its rates from related platforms.
    """
    if not counts.branches:
        return {}
    here, path = counts.by_platform, "/".join(part for part in platform.split("/") if part)
    tree, (wins, jobs) = _with_platform(counts.tree, path, here.weighted_wins, here.weighted_jobs)
    rates = hierarchical_rates(tree, path, wins, jobs, weights, level)
    inside = [i for i, other in enumerate(counts.tree.paths) if is_within(other, path)]
    columns = (
        here.traffic, here.all_verified, here.jobs, here.wins, here.eliminated, here.rejected, here.came_back,
        here.cured_first,
    )  # fmt: skip
    whole = np.stack([column[inside].sum(axis=0) for column in columns]).astype(int).T.tolist()
    corrected = _corrected(counts, tree, path, wins, jobs, weights, level)
    return {
        branch: replace(BranchEvidence(rates[place], *whole[place]), corrected=corrected.get(place))
        for place, branch in enumerate(counts.branches)
    }


def _corrected(
    counts: FlowCounts, tree: PlatformTree, path: str, wins: Array, jobs: Array, weights: Sequence[float], level: float
) -> dict[int, PooledRate]:
    """Rates in which verified jobs count for all that ended as they did, by the place of the branch: of branches behind
    which verified shares differ. The jobs that a rate rests on are fewer by how unequally they count (L. Kish, Survey
    Sampling, 1965)."""
    correction = verification_weights(counts)
    leads_to = {(step.key, outcome.key): outcome.go for step in counts.flow.steps for outcome in step.outcomes}
    differing = [
        place
        for place, branch in enumerate(counts.branches)
        if leads_to[branch].kind is GoKind.STEP and leads_to[branch].key in correction.corrected_steps
    ]
    if not differing:
        return {}
    right = np.array([[cause in counts.reach[place].causes for cause in counts.causes] for place in differing])
    known = np.array([cause != OTHER for cause in counts.causes])
    wrong = ~right & (known | ~np.array([counts.reach[place].beyond for place in differing])[:, None])
    verified, by_cause = counts.on_way[differing], correction.branches[differing]
    counted = [(verified * part).sum(axis=1) for part in (right, wrong)]
    of_right, of_wrong = (
        np.where(n > 0, (verified * by_cause * part).sum(axis=1) / np.where(n > 0, n, 1.0), 1.0)
        for n, part in zip(counted, (right, wrong), strict=True)
    )
    whole = np.maximum(counted[0] + counted[1], 1e-9)
    total = counted[0] * of_right + counted[1] * of_wrong
    unequal = counted[0] * of_right**2 + counted[1] * of_wrong**2
    fewer = np.where(unequal > 0, total**2 / np.where(unequal > 0, unequal * whole, 1.0), 1.0)
    won, lost = wins[:, differing] * of_right, (jobs - wins)[:, differing] * of_wrong
    scale = fewer * jobs[:, differing] / np.where(won + lost > 0, won + lost, 1.0)
    rates = hierarchical_rates(tree, path, won * scale, (won + lost) * scale, weights, level)
    return {place: rate for place, rate in zip(differing, rates, strict=True) if isinstance(rate, PooledRate)}


def differing_platforms(
    counts: FlowCounts, weights: Sequence[float] = (), level: float = ON_SCREEN
) -> dict[tuple[str, str], tuple[tuple[str, PooledRate], ...]]:
    """By branch, the platforms (paths) on which its rate surely is another one than on all other vehicles, with it.

    Of a platform and the only one below it that has jobs, the latter. O(platforms that may differ x branches).
    """
    here, paths = counts.by_platform, counts.tree.paths
    inside = np.array([[is_within(path, wider) for path in paths] for wider in paths], dtype=float)
    jobs, wins = inside @ here.jobs, inside @ here.wins
    rest = np.maximum(jobs[:1] - jobs, 0.0)
    off = np.abs(wins / np.maximum(jobs, 1) - (wins[:1] - wins) / np.maximum(rest, 1)) > MARGIN
    maybe = off & (jobs >= FEWEST) & (rest >= FEWEST)
    found: dict[tuple[str, str], list[tuple[str, PooledRate]]] = {}
    for node in np.flatnonzero(maybe.any(axis=1)).tolist():
        below = np.flatnonzero(counts.tree.forest.parent == node)
        told_below = (jobs[below] == jobs[node]).any(axis=0)
        rates = hierarchical_rates(
            counts.tree, paths[node], here.weighted_wins, here.weighted_jobs, weights, level
        )  # fmt: skip
        for place in np.flatnonzero(maybe[node] & ~told_below).tolist():
            rate = rates[place]
            if isinstance(rate, PooledRate) and rate.differs:
                found.setdefault(counts.branches[place], []).append((paths[node], rate))
    return {branch: tuple(platforms) for branch, platforms in found.items()}


def _with_platform(tree: PlatformTree, path: str, *arrays: Array) -> tuple[PlatformTree, tuple[Array, ...]]:
    if path in tree.index:
        return tree, arrays
    wider = platform_tree([*tree.paths, path])
    places = [wider.index[old] for old in tree.paths]
    spread = []
    for array in arrays:
        rows = np.zeros((len(wider.paths), *array.shape[1:]))
        rows[places] = array
        spread.append(rows)
    return wider, tuple(spread)


def branch_weights(counts: Sequence[FlowCounts]) -> tuple[float, ...]:
    """How often branches are how much alike on all platforms, from all branches of the shop's flows together.

    The counts must share one tree: give :func:`flow_counts.count` the same ``platforms``.

    Raises:
        ValueError: the trees differ.
    """
    if not counts:
        return ()
    tree = one_tree(counts)
    wins = np.hstack([one.by_platform.weighted_wins for one in counts])
    jobs = np.hstack([one.by_platform.weighted_jobs for one in counts])
    return learn_weights(tree.forest, wins, jobs)


def one_tree(counts: Sequence[FlowCounts]) -> PlatformTree:
    """The platform tree that these counts share.

    Raises:
        ValueError: the trees differ.
    """
    tree = counts[0].tree
    if any(one.tree.paths != tree.paths for one in counts):
        raise ValueError("The flows were counted over different platform trees; give each the same platforms.")
    return tree
