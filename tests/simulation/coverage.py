"""Do the intervals of pooled rates cover as often as they say? Made-up shops with known strengths.

Long form: ``python -m tests.simulation.coverage``. Platforms are 4 makers x 3 models x 3 engines; jobs stand at the
engines, few at most of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shopkb.core.diagnosis.rates.hierarchical import PooledRate, hierarchical_rates, learn_weights
from shopkb.core.diagnosis.rates.intervals import beta_intervals
from shopkb.core.diagnosis.rates.pooling import platform_tree
from tests.simulation.tables import keep

TREE = platform_tree(f"{a}/{b}/{c}" for a in "abcd" for b in "123" for c in "xyz")


@dataclass(frozen=True, slots=True)
class Covering:
    """For platforms with so many own jobs: how many, error, share covered, width; of ours and of each alone."""

    few: int
    many: int
    platforms: int
    error: float
    covered: float
    width: float
    alone_error: float
    alone_covered: float
    alone_width: float


def shop(
    rng: np.random.Generator, kappas: tuple[float, ...], branches: int, well_known: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Counts (nodes x branches x 2) and true rates (nodes x branches). ``well_known`` is the share of engines that have
    about 30 jobs; the others have few or none."""
    forest = TREE.forest
    theta = np.empty((len(forest), branches))
    theta[0] = rng.beta(4, 1.5, branches)
    for depth, kappa in enumerate(kappas, start=1):
        level = forest.levels[depth]
        mean = np.clip(theta[forest.parent[level]], 1e-9, 1 - 1e-9)
        theta[level] = rng.beta(kappa * mean, kappa * (1 - mean))
    engines = forest.levels[3]
    jobs = np.zeros(theta.shape)
    shape = jobs[engines].shape
    few = np.minimum(rng.geometric(0.25, shape) - 1, 40)
    jobs[engines] = np.where(rng.random(shape) < well_known, rng.poisson(30, shape), few) if well_known else few
    wins = rng.binomial(jobs.astype(int), theta)
    return np.stack([wins, jobs - wins], axis=-1).astype(float), theta


def covering(
    rng: np.random.Generator, kappas: tuple[float, ...], branches: int = 80, level: float = 0.95,
    groups: tuple[tuple[int, int], ...] = ((0, 0), (1, 3), (4, 10), (11, 40)), well_known: float = 0.0,
) -> tuple[tuple[float, ...], list[Covering]]:  # fmt: skip
    """The weights learned, and how the intervals did for platforms with few and many own jobs."""
    counts, theta = shop(rng, kappas, branches, well_known)
    wins, total = counts[..., 0], counts.sum(axis=-1)
    weights = learn_weights(TREE.forest, wins, total)
    engines = TREE.forest.levels[3]
    ours = np.array([
        [_ends(rate) for rate in hierarchical_rates(TREE, path, wins, total, weights, level)]
        for path in TREE.paths[engines]
    ])  # fmt: skip
    a, b = (counts[engines, :, kind] + 0.5 for kind in (0, 1))
    alone = np.stack([a / (a + b), *beta_intervals(a, b, level)], axis=-1)
    jobs, true = counts[engines].sum(axis=-1), theta[engines]
    found = []
    for few, many in groups:
        here = (jobs >= few) & (jobs <= many)
        figures = [*_judged(ours[here], true[here]), *_judged(alone[here], true[here])]
        found.append(Covering(few, many, int(here.sum()), *figures))
    return weights, found


def _ends(rate: object) -> tuple[float, float, float]:
    return (rate.mean, rate.low, rate.high) if isinstance(rate, PooledRate) else (0.5, 0.0, 1.0)


def _judged(figures: np.ndarray, true: np.ndarray) -> tuple[float, float, float]:
    mean, low, high = figures.T
    inside = (low <= true) & (true <= high)
    return float(np.sqrt(np.mean((mean - true) ** 2))), float(inside.mean()), float((high - low).mean())


TRUTHS = ((12, 20, 30), (2, 3, 4), (5, 60, 60), (30, 12, 5), (500, 500, 500))
GROUPS = ((0, 0), (1, 3), (4, 10), (25, 35))


def main(seeds: int = 6) -> None:
    lines = []
    for level in (0.95, 0.8):
        lines += [
            "",
            f"{level:.0%} intervals of a branch's success, {seeds} shops of 80 branches each; share covered (width)",
            "",
            "| platforms scatter by | " + " | ".join(f"{few} to {many} own jobs" for few, many in GROUPS)
            + " | 1 to 3, each alone |",
            "| --- " + "| ---: " * (len(GROUPS) + 1) + "|",
            *(_line(kappas, level, seeds) for kappas in TRUTHS),
        ]  # fmt: skip
    keep("coverage", "\n".join(lines))
    print("\n".join(lines))


def _line(kappas: tuple[float, ...], level: float, seeds: int) -> str:
    found = [covering(np.random.default_rng(seed), kappas, level=level, groups=GROUPS, well_known=0.15)[1]
             for seed in range(seeds)]  # fmt: skip
    cells = [_cell([(one[g].covered, one[g].width, one[g].platforms) for one in found]) for g in range(len(GROUPS))]
    alone = _cell([(one[1].alone_covered, one[1].alone_width, one[1].platforms) for one in found])
    return f"| {kappas} | " + " | ".join([*cells, alone]) + " |"


def _cell(figures: list[tuple[float, float, int]]) -> str:
    covered, width, weights = (np.array(column) for column in zip(*figures, strict=True))
    return f"{np.average(covered, weights=weights):.1%} ({np.average(width, weights=weights):.2f})"


if __name__ == "__main__":
    main()
