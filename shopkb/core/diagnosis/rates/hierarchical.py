"""Success rates of branches on related platforms, where most branches are alike everywhere and some are not.

Model: jobs on a platform succeed binomially, the rates of sister platforms scatter about a centre of their own by
Beta(K m, K (1 - m)), and centres about the centre above them likewise; the topmost centre has Jeffreys' prior. Each
branch has a strength K of its own, which is integrated out over a grid with weights that all branches of the shop share
(nonparametric maximum likelihood over a mixing distribution: N. Laird, JASA 73, 1978; by EM: A. Dempster, N. Laird and
D. Rubin, JRSS B 39, 1977). A platform may stand apart from its sisters on any branch, and more probably where it does
so on many; then it scatters with strength :data:`APART`. Centres are integrated over bins that are equal on the scale
arcsin(sqrt(rate)), upwards and then down to the platform asked for (belief propagation on a tree: J. Pearl 1982).

All vehicles together are the shop's own mix: a job drawn from it succeeds with one rate, whatever its platform, so its
jobs are binomial; the same holds for the vehicles below any node, about the centre of its sisters.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from scipy.special import betainc, betaincinv, gammaln, logsumexp

from shopkb.core.diagnosis.rates.intervals import NO_EVIDENCE, Array, NoEvidence, beta_intervals
from shopkb.core.diagnosis.rates.pooling import Forest, PlatformTree
from shopkb.core.identifiers import is_within

STRENGTHS: Final[Array] = np.array([2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 512.0])
"""The strengths K that a branch may have: 2 to 512."""

USUAL_WEIGHTS: Final = (0.04, 0.08, 0.14, 0.17, 0.16, 0.14, 0.11, 0.09, 0.07)
"""Weights of the strengths until the shop's own jobs say better: worth so much of a branch that none is ruled out."""

PRIOR_BRANCHES: Final = 5.0
"""Branches that the usual weights count for beside the shop's own."""

APART: Final = 2.0
"""Strength with which a platform scatters that stands apart from its sisters."""

APART_CHANCES: Final[Array] = np.array([0.02, 0.1, 0.3, 0.6, 0.9])
APART_WEIGHTS: Final[Array] = np.array([0.85, 0.08, 0.03, 0.02, 0.02])
"""How often a platform may stand apart from its sisters, and how probable each of these is beforehand."""

MARGIN: Final = 0.10
"""A platform differs on a branch where its rate is surely further than this from that of all other vehicles."""

SURELY: Final = 0.90

CENTRES: Final = 48
BINS: Final = 600
MANY: Final = 20_000.0
"""Own jobs beyond which nothing is borrowed that matters."""


@dataclass(frozen=True, slots=True)
class PooledRate:
    """A branch's success rate on one platform.

    ``n`` and ``successes`` are the jobs of this platform and those below it. ``own_share`` says how much of the figure
    rests on them; ``borrowed_share`` is the rest, lent by related platforms (and, with few jobs anywhere, by the
    starting belief). ``apart`` is the chance that the rate is further than :data:`MARGIN` from that of all other
    vehicles; ``elsewhere`` is the latter.
    """

    mean: float
    low: float
    high: float
    n: float
    successes: float
    own_share: float
    apart: float = 0.0
    elsewhere: float | None = None

    @property
    def borrowed_share(self) -> float:
        return 1.0 - self.own_share

    @property
    def differs(self) -> bool:
        """Whether the rate is surely another one here than elsewhere."""
        return self.apart >= SURELY


def hierarchical_rates(
    tree: PlatformTree,
    platform: str,
    successes: Array,
    jobs: Array,
    weights: Sequence[float] = (),
    level: float = 0.95,
) -> list[PooledRate | NoEvidence]:
    """Success rates of several branches on ``platform``, the empty path being all vehicles.

    ``successes`` and ``jobs`` are nodes x branches, counted directly at each node; fractions are allowed. ``weights``
    are those of :data:`STRENGTHS`, as :func:`learn_weights` gives them. A branch without a job on any platform gives
    ``NO_EVIDENCE``. O(nodes with jobs x branches).

    Raises:
        KeyError: the tree does not hold ``platform``.
        ValueError: a count is negative or not finite, or there are more successes than jobs.
    """
    _check(successes, jobs)
    node = tree.index[platform]
    here = [number for number, path in enumerate(tree.paths) if is_within(path, platform)]
    n, wins = jobs[here].sum(axis=0), np.minimum(successes[here].sum(axis=0), jobs[here].sum(axis=0))
    total, won = jobs.sum(axis=0), successes.sum(axis=0)
    found: list[PooledRate | NoEvidence] = [NO_EVIDENCE] * jobs.shape[1]
    known = np.flatnonzero(total > 0)
    if node == 0 or not known.size:
        shares = _of_the_mix(n[known], wins[known], level)
    else:
        shares = _at_node(tree.forest, node, successes[:, known], jobs[:, known], n[known], wins[known], weights, level)
    rest = np.stack([won - wins + 0.5, total - n - won + wins + 0.5])[:, known]
    for place, branch in enumerate(known.tolist()):
        mean, low, high, own, apart = (float(part[place]) for part in shares)
        elsewhere = None if node == 0 else float(rest[0, place] / rest[:, place].sum())
        found[branch] = PooledRate(mean, low, high, float(n[branch]), float(wins[branch]), own, apart, elsewhere)
    return found


def learn_weights(forest: Forest, successes: Array, jobs: Array, sweeps: int = 200) -> tuple[float, ...]:
    """The weights of :data:`STRENGTHS` that make the jobs of all branches most probable, beside the usual ones.

    ``successes`` and ``jobs`` are nodes x branches. O(nodes with jobs x branches + sweeps x branches).
    """
    _check(successes, jobs)
    usual = np.array(USUAL_WEIGHTS)
    known = np.flatnonzero((jobs > 0).sum(axis=0) > 1)
    if len(forest) == 1 or not known.size:
        return USUAL_WEIGHTS
    evidence = np.hstack([
        logsumexp(_upward(forest, successes[:, part], jobs[:, part]).centres[0], axis=2)
        for part in np.array_split(known, -(-known.size // AT_ONCE))
    ])  # fmt: skip
    likely = np.exp(evidence - evidence.max(axis=0))
    weights = usual
    for _ in range(sweeps):
        share = weights[:, None] * likely
        found = (share / share.sum(axis=0)).sum(axis=1) + PRIOR_BRANCHES * usual
        before, weights = weights, found / found.sum()
        if np.abs(weights - before).max() < 1e-6:
            break
    return tuple(float(one) for one in weights)


@dataclass(frozen=True, eq=False)
class _Messages:
    """Logarithms, strengths x branches x bins of a centre: what the jobs below each node say of its own centre (nodes
    with children only), and what they tell of the centre above."""

    centres: dict[int, Array]
    upwards: dict[int, Array]


AT_ONCE: Final = 200
_USUALLY_APART: Final = float(APART_CHANCES @ APART_WEIGHTS)


@lru_cache(maxsize=2)
def _edges(bins: int) -> Array:
    return np.asarray(np.sin(np.linspace(0, np.pi / 2, bins + 1)) ** 2, dtype=np.float64)


@lru_cache(maxsize=2)
def _middles(bins: int) -> Array:
    return np.asarray(np.sin((np.arange(bins) + 0.5) * np.pi / 2 / bins) ** 2, dtype=np.float64)


@lru_cache(maxsize=64)
def _scatter(strength: float, bins: int) -> Array:
    """Centres x bins: where a rate lies that scatters about a centre."""
    m = _middles(CENTRES)[:, None]
    found: Array = np.diff(betainc(strength * m, strength * (1 - m), _edges(bins)), axis=1)
    return found


def _told(successes: Array, jobs: Array) -> tuple[Array, Array]:
    """Log probability of the jobs of several branches at one node by the centre above it: strengths x branches x bins,
    and branches x bins where the node stands apart."""
    strengths, m = np.r_[STRENGTHS, APART][:, None, None], _middles(CENTRES)
    a, b = strengths * m, strengths * (1 - m)
    k, n = successes[:, None], jobs[:, None]
    found: Array = gammaln(a + k) + gammaln(b + n - k) - gammaln(strengths + n) - _log_beta()
    return found[:-1], found[-1]


@lru_cache(maxsize=1)
def _log_beta() -> Array:
    strengths, m = np.r_[STRENGTHS, APART][:, None, None], _middles(CENTRES)
    return np.asarray(gammaln(strengths * m) + gammaln(strengths * (1 - m)) - gammaln(strengths), dtype=np.float64)


def _mixed(alike: Array, apart: Array, chance: float) -> Array:
    found: Array = np.logaddexp(np.log1p(-chance) + alike, np.log(chance) + apart)
    return found


def _upward(forest: Forest, successes: Array, jobs: Array, path: Sequence[int] = ()) -> _Messages:
    """From the leaves to the root. What is told upwards is kept of the nodes on ``path`` only."""
    size = (STRENGTHS.size, jobs.shape[1], CENTRES)
    centres: dict[int, Array] = {0: np.full(size, -np.log(CENTRES))}
    kept: dict[int, Array] = {}
    parents = forest.parent.tolist()
    above = set(parents)
    some = jobs > 0
    for node in range(len(parents) - 1, -1, -1):
        here = np.flatnonzero(some[node])
        if node in above or node == 0:
            if here.size:
                alike, _ = _told(successes[node, here], jobs[node, here])
                centres.setdefault(node, np.zeros(size))[:, here] += alike
            told = _through(centres[node]) if node in centres and node else None
        elif here.size:
            told = np.zeros(size)
            told[:, here] = _mixed(*_told(successes[node, here], jobs[node, here]), _USUALLY_APART)
        else:
            told = None
        if node and told is not None:
            parent = parents[node]
            centres[parent] = centres[parent] + told if parent in centres else told.copy()
        if node in path:
            kept[node] = told if told is not None else np.zeros(size)
    return _Messages(centres, kept)


def _through(below: Array) -> Array:
    """What a centre's own likelihood says of the centre above it."""
    most = below.max(axis=2, keepdims=True)
    likely = np.exp(below - most)
    alike = np.stack([part @ _scatter(float(k), CENTRES).T for part, k in zip(likely, STRENGTHS, strict=True)])
    apart = likely @ _scatter(APART, CENTRES).T
    found: Array = np.log((1 - _USUALLY_APART) * alike + _USUALLY_APART * apart) + most
    return found


def _at_node(
    forest: Forest, node: int, successes: Array, jobs: Array, n: Array, wins: Array, weights: Sequence[float],
    level: float,
) -> tuple[Array, ...]:  # fmt: skip
    """Mean, lower and upper end, share of own jobs and chance of standing apart, by branch."""
    path = [node]
    while path[-1]:
        path.append(int(forest.parent[path[-1]]))
    path.reverse()
    told = _upward(forest, successes, jobs, path)
    centre = told.centres[0] - told.upwards[path[1]]
    for before, after in itertools.pairwise(path[1:]):
        centre = _onto(centre) + told.centres.get(before, 0.0) - told.upwards[after]
    centre += np.log(np.array(weights or USUAL_WEIGHTS))[:, None, None]
    prior = np.exp(centre - centre.max(axis=(0, 2), keepdims=True))
    alike = sum(part @ _scatter(float(k), BINS) for part, k in zip(prior, STRENGTHS, strict=True))
    apart = prior.sum(axis=0) @ _scatter(APART, BINS)
    whole = prior.sum(axis=(0, 2))[:, None]
    return _summed_up(alike / whole, apart / whole, n, wins, successes.sum(axis=0), jobs.sum(axis=0), level)


def _onto(centre: Array) -> Array:
    """Where the centre below lies, from where the one above does."""
    most = centre.max(axis=2, keepdims=True)
    likely = np.exp(centre - most)
    alike = np.stack([part @ _scatter(float(k), CENTRES) for part, k in zip(likely, STRENGTHS, strict=True)])
    apart = likely @ _scatter(APART, CENTRES)
    found: Array = np.log((1 - _USUALLY_APART) * alike + _USUALLY_APART * apart + 1e-300) + most
    return found


def _summed_up(
    alike: Array, apart: Array, n: Array, wins: Array, all_wins: Array, all_jobs: Array, level: float
) -> tuple[Array, ...]:
    """From the two priors of each branch (branches x bins) and its own jobs."""
    middles, edges = _middles(BINS), _edges(BINS)
    log_own = wins[:, None] * np.log(middles) + (n - wins)[:, None] * np.log1p(-middles)
    own = np.exp(log_own - log_own.max(axis=1, keepdims=True))
    chance = _chance_apart((alike * own).sum(axis=1), (apart * own).sum(axis=1))
    prior = (1 - chance) * alike + chance * apart
    posterior = prior * own
    posterior /= posterior.sum(axis=1, keepdims=True)
    mean = posterior @ middles
    lent = _worth(prior, middles)
    below = np.concatenate([np.zeros((n.size, 1)), posterior.cumsum(axis=1)], axis=1)
    tail = (1 - level) / 2
    angles = np.linspace(0, np.pi / 2, BINS + 1)
    ends = np.array([np.interp((tail, 1 - tail), one, angles) for one in below])
    low, high = np.sin(ends.T) ** 2
    low = np.where(mean * (n + lent) < 1, 0.0, np.minimum(low, mean))
    high = np.where((1 - mean) * (n + lent) < 1, 1.0, np.maximum(high, mean))
    many = n > MANY
    if many.any():
        a, b = wins[many] + 0.5, n[many] - wins[many] + 0.5
        low[many], high[many] = beta_intervals(a, b, level)
        mean[many] = a / (a + b)
    differing = np.array([
        _apart(one, edges, won, jobs) if jobs > 0 else 0.0
        for one, won, jobs in zip(below, all_wins - wins, all_jobs - n, strict=True)
    ])  # fmt: skip
    return mean, low, high, n / (n + lent), differing


def _chance_apart(alike: Array, apart: Array) -> float:
    """How often the platform stands apart from its sisters, from what both explanations make of each branch."""
    seen = np.log(
        (1 - APART_CHANCES[:, None]) * np.maximum(alike, 1e-300) + APART_CHANCES[:, None] * np.maximum(apart, 1e-300)
    ).sum(axis=1) + np.log(APART_WEIGHTS)
    shares = np.exp(seen - seen.max())
    return float(APART_CHANCES @ shares / shares.sum())


def _worth(prior: Array, middles: Array) -> Array:
    """Jobs that a prior is worth: those of the beta distribution with its mean and variance."""
    mean = prior @ middles / prior.sum(axis=1)
    variance = np.maximum(prior @ middles**2 / prior.sum(axis=1) - mean**2, 1e-12)
    jobs: Array = np.maximum(mean * (1 - mean) / variance - 1, 1e-3)
    return jobs


def _apart(below: Array, edges: Array, wins: float, jobs: float) -> float:
    """The chance that a rate with this distribution is further than the margin from that of these other jobs."""
    other = betaincinv(wins + 0.5, jobs - wins + 0.5, _QUANTILES)
    near = np.interp(other + MARGIN, edges, below) - np.interp(other - MARGIN, edges, below)
    return float(np.clip(1 - near.mean(), 0.0, 1.0))


_QUANTILES: Final[Array] = (np.arange(15) + 0.5) / 15


def _of_the_mix(n: Array, wins: Array, level: float) -> tuple[Array, ...]:
    a, b = wins + 0.5, n - wins + 0.5
    low, high = beta_intervals(a, b, level)
    return a / (a + b), low, high, n / (n + 1), np.zeros(n.size)


def _check(successes: Array, jobs: Array) -> None:
    if not (np.all(np.isfinite(successes)) and np.all(np.isfinite(jobs))) or np.any(successes < 0):
        raise ValueError("Counts of jobs are finite and not negative.")
    if np.any(successes > jobs + 1e-9):
        raise ValueError("There are no more successes than jobs.")
