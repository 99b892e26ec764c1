"""Success of branches where platforms differ on some branches only, and where one platform is worse on every branch.

Long form: ``python -m tests.simulation uneven``. Figures are those of platforms with so many own jobs, beside the
platform's own jobs alone (Jeffreys), and beside one strength of pooling for all branches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import expit, logit

from shopkb.core.diagnosis.rates.hierarchical import PooledRate, hierarchical_rates, learn_weights
from shopkb.core.diagnosis.rates.intervals import beta_intervals
from shopkb.core.diagnosis.rates.pooling import PlatformTree, platform_tree, pool
from shopkb.core.diagnosis.rates.pooling_strengths import Problem, learn_strengths
from tests.simulation.tables import keep

GROUPS: Final = ((0, 0), (1, 3), (4, 10), (11, 40))
MAKERS: Final = "abcdefghijkl"
ONE_LEVEL: Final = platform_tree(MAKERS)
TWO_LEVELS: Final = platform_tree(f"{maker}/{model}" for maker in "abcd" for model in "123")
ALIKE: Final = 400.0
APART: Final = 2.0
WORSE: Final = 2.5


@dataclass(frozen=True, eq=False)
class Shop:
    """Counts and true rates, nodes x branches; ``differing`` branches scatter by strength 2, the others by 400."""

    tree: PlatformTree
    wins: np.ndarray
    jobs: np.ndarray
    rates: np.ndarray
    differing: np.ndarray
    leaves: np.ndarray
    worse: int | None


def shop(
    rng: np.random.Generator, tree: PlatformTree, share: float, branches: int = 60, *, worse: bool = False
) -> Shop:
    """``share`` of the branches differ by platform. With ``worse`` one platform is so by 2.5 logits on every branch."""
    nodes = len(tree.paths)
    differing = np.arange(branches) < round(share * branches)
    strength = np.where(differing, APART, ALIKE)
    rates = np.empty((nodes, branches))
    rates[0] = rng.beta(4, 1.5, branches)
    for node in range(1, nodes):
        m = np.clip(rates[tree.forest.parent[node]], 1e-6, 1 - 1e-6)
        rates[node] = np.clip(rng.beta(strength * m, strength * (1 - m)), 1e-9, 1 - 1e-9)
    leaves = np.setdiff1d(np.arange(nodes), tree.forest.parent)
    bad = int(leaves[rng.integers(leaves.size)]) if worse else None
    if bad is not None:
        rates[bad] = expit(logit(rates[bad]) - WORSE)
    jobs = np.zeros(rates.shape)
    shape = (leaves.size, branches)
    jobs[leaves] = np.where(
        rng.random(shape) < 0.3, rng.integers(11, 41, shape), np.minimum(rng.geometric(0.25, shape) - 1, 40)
    )
    wins = rng.binomial(jobs.astype(int), rates).astype(float)
    return Shop(tree, wins, jobs, rates, differing, leaves, bad)


@dataclass(frozen=True, slots=True)
class Judged:
    """Of some figures: how many, share covered by 95 % intervals, root mean square error, mean width, and the mean of
    what was said less what is true."""

    figures: int
    covered: float
    error: float
    width: float
    bias: float


Figures = np.ndarray
"""Leaves x branches x (mean, low, high)."""


def hierarchical(one: Shop) -> Figures:
    weights = learn_weights(one.tree.forest, one.wins, one.jobs)
    return np.array([
        [
            (rate.mean, rate.low, rate.high) if isinstance(rate, PooledRate) else (0.5, 0.0, 1.0)
            for rate in hierarchical_rates(one.tree, one.tree.paths[leaf], one.wins, one.jobs, weights)
        ]
        for leaf in one.leaves
    ])  # fmt: skip


def one_strength(one: Shop) -> Figures:
    counts = np.stack([one.wins, one.jobs - one.wins], axis=-1)
    pooled = pool(one.tree.forest, counts, learn_strengths(one.tree.forest, [Problem(counts)])).posterior[one.leaves]
    return _beta(pooled[..., 0], pooled[..., 1])


def alone(one: Shop) -> Figures:
    wins, jobs = one.wins[one.leaves], one.jobs[one.leaves]
    return _beta(wins + 0.5, jobs - wins + 0.5)


def _beta(a: np.ndarray, b: np.ndarray) -> Figures:
    return np.stack([a / (a + b), *beta_intervals(a, b, 0.95)], axis=-1)


def judged(one: Shop, figures: Figures, few: int, many: int, chosen: np.ndarray) -> np.ndarray:
    """Sums of figures, covered, squared error, width and error over leaves with so many own jobs on chosen branches."""
    jobs, true = one.jobs[one.leaves], one.rates[one.leaves]
    here = (jobs >= few) & (jobs <= many) & chosen
    mean, low, high = (figures[..., part][here] for part in range(3))
    true = true[here]
    inside = (low <= true) & (true <= high)
    off = mean - true
    return np.array([here.sum(), inside.sum(), (off**2).sum(), (high - low).sum(), off.sum()])


def told(sums: np.ndarray) -> Judged:
    n = max(sums[0], 1)
    return Judged(int(sums[0]), sums[1] / n, float(np.sqrt(sums[2] / n)), sums[3] / n, sums[4] / n)


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of shop: its platforms, the share of branches that differ by them, whether one platform is worse."""

    name: str
    tree: PlatformTree
    share: float
    worse: bool
    shops: int


KINDS: Final = (
    Kind("12 platforms, a fifth of branches differs", ONE_LEVEL, 0.2, worse=False, shops=12),
    Kind("12 platforms, half of the branches differ", ONE_LEVEL, 0.5, worse=False, shops=12),
    Kind("4 makers of 3, a fifth of branches differs", TWO_LEVELS, 0.2, worse=False, shops=12),
    Kind("12 platforms, one worse on every branch", ONE_LEVEL, 0.0, worse=True, shops=40),
    Kind("4 makers of 3, a tenth differs, one worse everywhere", TWO_LEVELS, 0.1, worse=True, shops=40),
)
WAYS: Final = (hierarchical, one_strength, alone)


def sums_of(kind: Kind, seeds: Sequence[Sequence[int]], branches: int = 60) -> dict[tuple[str, str, int], Judged]:
    """By way, figures (all of them, or of the branches or the platform that differ) and place in :data:`GROUPS`."""
    sums: dict[tuple[str, str, int], np.ndarray] = {}
    for seed in seeds:
        one = shop(np.random.default_rng(seed), kind.tree, kind.share, branches, worse=kind.worse)
        every = np.ones(one.jobs[one.leaves].shape, dtype=bool)
        apart = (one.leaves == one.worse)[:, None] if kind.worse else one.differing[None, :]
        for way in WAYS:
            figures = way(one)
            for what, chosen in (("all", every), ("apart", np.broadcast_to(apart, every.shape))):
                for place, group in enumerate(GROUPS):
                    name = way.__name__, what, place
                    sums[name] = sums.get(name, np.zeros(5)) + judged(one, figures, *group, chosen)
    return {name: told(part) for name, part in sums.items()}


def main() -> None:
    names = {"hierarchical": "a strength for each branch", "one_strength": "one strength for all", "alone": "own jobs"}
    lines = [
        "95 % intervals of branch success, 60 branches a shop: share that holds the truth / root mean square error / "
        "mean width, by own jobs. Before: one strength for all branches. Seeds [5, 0] and on. Branches that differ "
        f"scatter by strength {APART:g}, the others by {ALIKE:g}; a worse platform is {WORSE:g} logits below.",
        "",
        "| shop | figures of | pooled with | " + " | ".join(f"{few} to {many}" for few, many in GROUPS) + " |",
        "| --- | --- | --- " + "| ---: " * len(GROUPS) + "|",
    ]
    for kind in KINDS:
        found = sums_of(kind, [[5, seed] for seed in range(kind.shops)])
        apart = "the worse platform" if kind.worse else "branches that differ"
        for what, words in (("all", "all"), ("apart", apart)):
            for way, pooled in names.items():
                row = [found[way, what, place] for place in range(len(GROUPS))]
                cells = " | ".join(f"{one.covered:.1%} / {one.error:.3f} / {one.width:.2f}" for one in row)
                lines.append(f"| {kind.name} | {words} | {pooled} | {cells} |")
                print(lines[-1], flush=True)
    keep("uneven", "\n".join(lines))


if __name__ == "__main__":
    main()
