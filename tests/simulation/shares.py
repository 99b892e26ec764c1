"""How far the shares of causes that a platform is believed to have are from the true ones.

Long form: ``python -m tests.simulation shares``. Shops of five procedures with six causes each; the shares on
platforms scatter by a strength of their own, whatever the branches do. Strengths are learned on the counts of causes;
beside that stand the strengths that branches alike everywhere would give, by which shares were pooled before, and the
platform's own jobs alone.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from shopkb.core.diagnosis.rates.pooling import Forest, platform_tree, pool
from shopkb.core.diagnosis.rates.pooling_strengths import Problem, learn_strengths
from tests.simulation.tables import keep

TREE: Final = platform_tree(f"{maker}/{model}" for maker in "abcd" for model in "123")
CAUSES: Final = 6
PROCEDURES: Final = 5
START: Final = np.array([3.0, 1.5, 1.5, 0.5, 0.5, 0.5])
OF_BRANCHES: Final = (165.0, 110.0)
SCATTERS: Final = ((6.0, 6.0), (6.0, 60.0), (40.0, 12.0), (200.0, 200.0))
JOBS: Final = (0, 10, 30, 100, 300)
WAYS: Final = ("learned on causes", "strengths of branches", "own jobs")


def distances(rng: np.random.Generator, scatter: tuple[float, ...]) -> dict[tuple[str, int], list[float]]:
    """Total variation between believed and true shares, by way and own jobs, over platforms and procedures."""
    forest, leaves = TREE.forest, TREE.forest.levels[2]
    jobs = rng.permutation(np.resize(JOBS, leaves.stop - leaves.start))
    truths, problems = [], []
    for _ in range(PROCEDURES):
        true = _shares(rng, forest, scatter)
        counts = np.zeros(true.shape)
        for leaf, n in zip(range(leaves.start, leaves.stop), jobs.tolist(), strict=True):
            counts[leaf] = rng.multinomial(n, true[leaf])
        truths.append(true)
        problems.append(Problem(counts, START))
    strengths = {WAYS[0]: learn_strengths(forest, problems), WAYS[1]: OF_BRANCHES}
    found: dict[tuple[str, int], list[float]] = {(way, n): [] for way in WAYS for n in JOBS}
    for true, problem in zip(truths, problems, strict=True):
        believed = {way: pool(forest, problem.counts, kappas, START).mean for way, kappas in strengths.items()}
        alone = problem.counts + 0.5
        believed[WAYS[2]] = alone / alone.sum(axis=1, keepdims=True)
        for way, shares in believed.items():
            for leaf, n in zip(range(leaves.start, leaves.stop), jobs.tolist(), strict=True):
                found[way, n].append(float(np.abs(shares[leaf] - true[leaf]).sum() / 2))
    return found


def _shares(rng: np.random.Generator, forest: Forest, scatter: tuple[float, ...]) -> np.ndarray:
    """True shares by node, each scattered about those of the node above."""
    shares = np.empty((len(forest), CAUSES))
    shares[0] = rng.dirichlet(START)
    for depth, kappa in enumerate(scatter, start=1):
        for node in range(forest.levels[depth].start, forest.levels[depth].stop):
            shares[node] = rng.dirichlet(kappa * shares[forest.parent[node]] + 0.02)
    return shares


def means(scatter: tuple[float, ...], seeds: int, first: int = 0) -> dict[tuple[str, int], float]:
    """Mean distance by way and own jobs over so many shops."""
    shops = [distances(np.random.default_rng([21, first + seed]), scatter) for seed in range(seeds)]
    return {name: float(np.mean([one for shop in shops for one in shop[name]])) for name in shops[0]}


def main(seeds: int = 20) -> None:
    lines = [
        f"Total variation between the believed and the true shares of {CAUSES} causes on a platform, by its own jobs: "
        f"{seeds} shops of {PROCEDURES} procedures, 4 makers of 3 models, seeds [21, 0] to [21, {seeds - 1}]. Before: "
        f"pooled with the strengths of branches, here {OF_BRANCHES}.",
        "",
        "| shares scatter by | pooled with | " + " | ".join(f"{n} jobs" for n in JOBS) + " |",
        "| --- | --- " + "| ---: " * len(JOBS) + "|",
    ]
    for scatter in SCATTERS:
        found = means(scatter, seeds)
        for way in WAYS:
            lines.append(f"| {scatter} | {way} | " + " | ".join(f"{found[way, n]:.3f}" for n in JOBS) + " |")
    print("\n".join(lines))
    keep("shares", "\n".join(lines))


if __name__ == "__main__":
    main()
