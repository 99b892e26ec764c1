"""How alike the shares of causes on related platforms are: the strength kappa of each level of the tree, learned from
all procedures together.

One procedure has too few platforms to learn its own. A start by moments (a pooled analysis of variance, kin to
J. Kleinman, Proportions with extraneous variance, JASA 68, 1973) is finished by a leave-one-out score: how well every
node's own jobs are foretold by everything the node knows except those jobs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from scipy.special import gammaln

from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.diagnosis.rates.pooling import JEFFREYS_PRIOR, Forest, IntArray, pool

GRID: Final = (2.0, 3.0, 4.5, 7.0, 10.0, 15.0, 22.0, 33.0, 50.0, 75.0, 110.0, 165.0, 250.0, 375.0)
CENTRE: Final = 12.0
"""Strength that a level drifts to when its data are silent; the pull is normal in ln kappa with variance 1."""

PRIOR_WEIGHT: Final = 20.0
PRIOR_CORRELATION: Final = 1 / 11
LOWEST, HIGHEST = 1.0, 400.0


@dataclass(frozen=True, eq=False)
class Problem:
    """Jobs of several kinds at each node, nodes x ... x kinds, and what is believed of the kinds before any job."""

    counts: Array
    root_prior: Array = field(default_factory=JEFFREYS_PRIOR.copy)


def correlation_by_moments(
    successes: Array, jobs: Array, starts: IntArray, prior_weight: float = PRIOR_WEIGHT
) -> float | None:
    """Correlation rho = 1/(kappa+1) of jobs that share a node.

    ``successes`` and ``jobs`` are nodes x branches; brothers stand together, each group beginning at one of ``starts``.
    Groups with fewer than two members that have jobs, or without any contrast, add nothing. ``None`` when no group
    says anything and ``prior_weight`` is 0.
    """

    def summed(values: Array) -> Array:
        return np.asarray(np.add.reduceat(values, starts, axis=0))

    total, wins, members = summed(jobs), summed(successes), summed((jobs > 0).astype(float))
    use = (members >= 2) & (wins > 0) & (wins < total)
    n, k, p = total[use], members[use], wins[use] / total[use]
    q = p * (1 - p)
    w = summed(successes**2 / np.where(jobs > 0, jobs, 1))[use] - n * p**2
    pairs = summed(jobs * (jobs - 1) * (jobs > 0))[use]
    above = prior_weight * PRIOR_CORRELATION + float(np.sum(w * (1 - 1 / n) - q * (k - 1)))
    beneath = prior_weight + float(np.sum(q * (n - k - pairs / n) + w * pairs / n**2))
    return above / beneath if beneath > 0 else None


def strength_of(correlation: float | None) -> float:
    """kappa for a correlation, kept in [1, 400]; correlations of 0 and less give 400."""
    if correlation is None:
        return CENTRE
    if correlation <= 1 / (HIGHEST + 1):
        return HIGHEST
    return max(LOWEST, float(1 / correlation - 1))


def strengths_by_moments(forest: Forest, counts: Array) -> tuple[float, ...]:
    """One kappa a level below the roots, bottom level first, each level discounted before the next looks at it.

    ``counts`` is nodes x branches x 2, successes and the rest, recorded directly at each node.
    """
    below = counts.astype(np.float64, copy=True)
    found: list[float] = []
    for depth in range(len(forest.levels) - 1, 0, -1):
        level, (starts, parents) = forest.levels[depth], forest.families[depth]
        kappa = strength_of(correlation_by_moments(below[level][..., 0], below[level].sum(axis=-1), starts))
        jobs = below[level].sum(axis=-1, keepdims=True)
        told = below[level] * np.minimum(1.0, (kappa + 1) / (jobs + kappa))
        below[parents] += np.add.reduceat(told, starts, axis=0)
        found.append(kappa)
    return tuple(reversed(found))


def leave_one_out(forest: Forest, problems: Sequence[Problem], strengths: Sequence[float]) -> float:
    """Log score of every node's own jobs given all else, less the pull of every level towards the centre.

    Constants that do not depend on the strengths are left out.
    """
    score = 0.0
    for problem in problems:
        pooled = pool(forest, problem.counts, strengths, problem.root_prior)
        own = problem.counts.sum(axis=-1) > 0
        others = np.maximum((pooled.posterior - problem.counts)[own], 1e-9)
        score += float(np.sum(dirichlet_multinomial_log(others, problem.counts[own])))
    return float(score - np.sum(np.log(np.asarray(strengths) / CENTRE) ** 2) / 2)


def dirichlet_multinomial_log(weights: Array, counts: Array) -> Array:
    """Log probability of one order of jobs of several kinds (the last axis) under Dirichlet(weights): no multinomial
    coefficient."""
    total, jobs = weights.sum(axis=-1), counts.sum(axis=-1)
    kinds = (gammaln(weights + counts) - gammaln(weights)).sum(axis=-1)
    return np.asarray(gammaln(total) - gammaln(total + jobs) + kinds)


def learn_strengths(forest: Forest, problems: Sequence[Problem], sweeps: int = 3) -> tuple[float, ...]:
    """The kappa of each level below the roots, for all problems together. O(sweeps x levels x grid x nodes x counts).

    A tree with one node has no level and gives no strength; without jobs every level gets :data:`CENTRE`.
    """
    problems = [problem for problem in problems if np.any(problem.counts)]
    if not problems:
        return (CENTRE,) * (len(forest.levels) - 1)
    against_the_rest = np.concatenate([_against_the_rest(problem.counts) for problem in problems], axis=1)
    strengths = list(strengths_by_moments(forest, against_the_rest))
    if not strengths:
        return ()
    best = leave_one_out(forest, problems, strengths)
    for _ in range(sweeps):
        before = tuple(strengths)
        for place in range(len(strengths)):
            for kappa in GRID:
                trial = [*strengths[:place], kappa, *strengths[place + 1 :]]
                score = leave_one_out(forest, problems, trial)
                if score > best:
                    best, strengths = score, trial
        if tuple(strengths) == before:
            break
    return tuple(strengths)


def _against_the_rest(counts: Array) -> Array:
    """Each kind against all others, as nodes x kinds x 2; of two kinds the first only."""
    flat = counts.reshape(len(counts), -1, counts.shape[-1])
    total = flat.sum(axis=-1, keepdims=True)
    chosen = flat if counts.shape[-1] > 2 else flat[..., :1]
    return np.stack([chosen, total - chosen], axis=-1).reshape(len(counts), -1, 2)
