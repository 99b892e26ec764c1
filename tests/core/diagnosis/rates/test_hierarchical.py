"""Rates with a strength for each branch. Oracles: the exact posterior of small trees by quadrature over every centre
and strength (scipy), and R. Tarone's rat tumours (Gelman and others, BDA3, table 5.1)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from shopkb.core.diagnosis.rates.hierarchical import (
    APART,
    APART_CHANCES,
    APART_WEIGHTS,
    STRENGTHS,
    USUAL_WEIGHTS,
    PooledRate,
    hierarchical_rates,
    learn_weights,
)
from shopkb.core.diagnosis.rates.intervals import NO_EVIDENCE, Array, beta_interval
from shopkb.core.diagnosis.rates.pooling import PlatformTree, platform_tree
from tests.core.diagnosis.published import example
from tests.examples import examples

RATS = example("rat-tumours-empirical-bayes")
STAR = platform_tree("ABC")
USUALLY = float(APART_CHANCES @ APART_WEIGHTS)
CENTRES = np.sin((np.arange(400) + 0.5) * np.pi / 800) ** 2
"""Equally probable under Jeffreys' prior."""


def at(tree: PlatformTree, **counts: tuple[float, float]) -> tuple[Array, Array]:
    """Successes and jobs of one branch by path."""
    wins, jobs = (np.zeros((len(tree.paths), 1)) for _ in range(2))
    for path, (won, done) in counts.items():
        wins[tree.index[path.replace("_", "/")]], jobs[tree.index[path.replace("_", "/")]] = won, done
    return wins, jobs


def rate(tree: PlatformTree, platform: str, counts: tuple[Array, Array], **more: object) -> PooledRate:
    (found,) = hierarchical_rates(tree, platform, *counts, **more)  # type: ignore[arg-type]
    assert isinstance(found, PooledRate)
    return found


def exact(target: tuple[int, int], others: list[tuple[int, int]], level: float = 0.95) -> tuple[float, float, float]:
    """Mean and interval of one of several sisters: the sum over centres, strengths and standing apart, for each a beta
    posterior with its weight."""
    weights: list[Array] = []
    parts: list[tuple[Array, Array]] = []
    k, n = target

    def told(won: int, jobs: int, strength: float) -> Array:
        return stats.betabinom(jobs, strength * CENTRES, strength * (1 - CENTRES)).pmf(won)

    def by_strength(strength: float, share: float) -> None:
        lent = np.full(CENTRES.size, share)
        for won, jobs in others:
            lent *= (1 - USUALLY) * told(won, jobs, strength) + USUALLY * told(won, jobs, APART)
        for place, own in enumerate((strength, APART)):
            evidence[place] += float((lent * told(k, n, own)).sum())
            weights.append(lent * told(k, n, own))
            parts.append((own * CENTRES + k, own * (1 - CENTRES) + n - k))

    evidence = [0.0, 0.0]
    for strength, share in zip(STRENGTHS, USUAL_WEIGHTS, strict=True):
        by_strength(float(strength), share)
    seen = APART_WEIGHTS * ((1 - APART_CHANCES) * evidence[0] + APART_CHANCES * evidence[1])
    chance = float(APART_CHANCES @ seen / seen.sum())
    shares = [weight * (chance if place % 2 else 1 - chance) for place, weight in enumerate(weights)]
    total = sum(float(share.sum()) for share in shares)

    def below(x: float) -> float:
        pairs = zip(shares, parts, strict=True)
        return sum(float((share * stats.beta.cdf(x, a, b)).sum()) for share, (a, b) in pairs) / total

    grid = np.linspace(0, 1, 2001)
    shape = np.array([below(float(x)) for x in grid])
    mean = sum(float((share * a / (a + b)).sum()) for share, (a, b) in zip(shares, parts, strict=True)) / total
    tail = (1 - level) / 2
    return mean, float(np.interp(tail, shape, grid)), float(np.interp(1 - tail, shape, grid))


@pytest.mark.parametrize(
    ("target", "others"),
    [((3, 4), [(8, 10), (17, 20)]), ((1, 8), [(30, 33), (19, 20)]), ((0, 0), [(5, 9), (2, 6)]), ((12, 30), [(6, 15)])],
)
def test_one_level_equals_the_exact_posterior(target: tuple[int, int], others: list[tuple[int, int]]) -> None:
    counts = at(STAR, A=target, **dict(zip("BC", others, strict=False)))
    found = rate(STAR, "A", counts)
    mean, low, high = exact(target, others)
    assert found.mean == pytest.approx(mean, abs=0.004)
    assert [found.low, found.high] == pytest.approx([low, high], abs=0.01)


def test_two_levels_equal_the_exact_posterior() -> None:
    """A maker with models of 7 of 9 and 2 of 3, another with one model of 1 of 8: the second level's centre is summed
    over as well."""
    tree = platform_tree(["A/A1", "A/A2", "B/B1"])
    found = rate(tree, "A/A2", at(tree, A_A1=(7, 9), A_A2=(2, 3), B_B1=(1, 8)))
    centres = np.sin((np.arange(160) + 0.5) * np.pi / 320) ** 2
    edges = np.sin(np.linspace(0, np.pi / 2, 161)) ** 2

    def told(won: int, jobs: int, strength: float) -> Array:
        return stats.betabinom(jobs, strength * centres, strength * (1 - centres)).pmf(won)

    def mixed(alike: Array, apart: Array) -> Array:
        return (1 - USUALLY) * alike + USUALLY * apart

    def onto(strength: float) -> Array:
        return np.diff(stats.beta.cdf(edges, strength * centres[:, None], strength * (1 - centres[:, None])), axis=1)

    wide, evidence, mean = onto(APART), np.zeros(2), np.zeros(2)
    for strength, share in zip(STRENGTHS, USUAL_WEIGHTS, strict=True):
        down = mixed(onto(strength), wide)
        root = down @ mixed(told(1, 8, strength), told(1, 8, APART))
        maker = share * (root @ down) * mixed(told(7, 9, strength), told(7, 9, APART))
        for place, own in enumerate((strength, APART)):
            weight = maker * told(2, 3, own)
            evidence[place] += weight.sum()
            mean[place] += (weight * (own * centres + 2) / (own + 3)).sum()
    seen = APART_WEIGHTS * ((1 - APART_CHANCES) * evidence[0] + APART_CHANCES * evidence[1])
    chance = float(APART_CHANCES @ seen / seen.sum())
    both = np.array([1 - chance, chance])
    assert found.mean == pytest.approx(float(both @ mean / (both @ evidence)), abs=0.005)


def test_all_vehicles_are_the_shops_own_mix() -> None:
    """901 of 1,010, 900 of them on one make: not the mean of three makes (statsmodels' Jeffreys interval)."""
    from statsmodels.stats.proportion import proportion_confint

    counts = at(STAR, A=(890, 900), B=(10, 100), C=(1, 10))
    found = rate(STAR, "", counts)
    assert found.mean == pytest.approx(901.5 / 1011)
    assert (found.low, found.high) == pytest.approx(proportion_confint(901, 1010, method="jeffreys"))
    assert found.own_share > 0.99 and found.apart == 0.0 and found.elsewhere is None


def test_a_maker_is_the_mix_of_its_models() -> None:
    tree = platform_tree(["A/A1", "A/A2", "B/B1"])
    found = rate(tree, "A", at(tree, A_A1=(500, 500), A_A2=(100, 500), B_B1=(20, 40)))
    assert (found.n, found.successes) == (1000, 600)
    assert found.mean == pytest.approx(0.6, abs=0.01)


def test_rats_are_shrunk_as_much_as_published() -> None:
    """70 groups of rats: the published marginal maximum is alpha + beta = 16.4, so most weight lies on 8 to 32, and the
    last group, 9 of 24, is drawn to what the published figures make of it."""
    wins, jobs = (np.array([0.0, *RATS["inputs"][key]])[:, None] for key in ("y", "n"))
    tree = platform_tree(f"g{place:02}" for place in range(len(jobs) - 1))
    shares = np.array(learn_weights(tree.forest, np.tile(wins, (1, 40)), np.tile(jobs, (1, 40))))
    assert shares[(STRENGTHS >= 8) & (STRENGTHS <= 32)].sum() > 0.8
    last = hierarchical_rates(tree, tree.paths[-1], wins, jobs, tuple(shares))[0]
    assert isinstance(last, PooledRate)
    published = RATS["expected"]["published_marginal_likelihood"]
    alpha, beta = published["alpha"], published["beta"]
    assert last.mean == pytest.approx((alpha + 9) / (alpha + beta + 24), abs=0.015)


def test_a_platform_that_differs_is_said_to() -> None:
    found = rate(STAR, "A", at(STAR, A=(4, 20), B=(45, 50), C=(44, 50)))
    assert found.differs and found.apart > 0.98 and found.elsewhere == pytest.approx(0.886, abs=0.01)
    same = rate(STAR, "A", at(STAR, A=(18, 20), B=(45, 50), C=(44, 50)))
    assert not same.differs and same.apart < 0.2
    few = rate(STAR, "A", at(STAR, A=(0, 1), B=(45, 50), C=(44, 50)))
    assert not few.differs


def test_a_platform_apart_on_many_branches_is_believed_sooner() -> None:
    """One job of three is little on one branch; on twelve it says that the platform is another one."""
    one = at(STAR, A=(1, 3), B=(45, 50), C=(44, 50))
    alone = rate(STAR, "A", one)
    wins, jobs = (np.tile(part, (1, 12)) for part in one)
    beside = hierarchical_rates(STAR, "A", wins, jobs)[0]
    assert isinstance(beside, PooledRate)
    assert beside.mean < alone.mean - 0.05


def test_weights_follow_the_branches() -> None:
    """Branches that are all alike, then branches that scatter by 2."""
    rng = np.random.default_rng(3)
    tree = platform_tree("ABCDEFGH")
    jobs = np.vstack([np.zeros(60), np.full((8, 60), 20.0)])
    centres = rng.beta(4, 2, 60)
    alike = np.vstack([np.zeros(60), rng.binomial(20, centres, (8, 60))])
    apart = np.vstack([np.zeros(60), rng.binomial(20, rng.beta(2 * centres, 2 * (1 - centres), (8, 60)))])
    alike_weights, apart_weights = (np.array(learn_weights(tree.forest, part, jobs)) for part in (alike, apart))
    assert sum(alike_weights) == pytest.approx(1) and alike_weights[STRENGTHS >= 64].sum() > 0.8
    assert apart_weights[STRENGTHS <= 4].sum() > 0.8
    assert learn_weights(tree.forest, 0 * jobs, 0 * jobs) == USUAL_WEIGHTS
    assert learn_weights(platform_tree([]).forest, np.ones((1, 2)), np.ones((1, 2))) == USUAL_WEIGHTS


def test_no_job_on_any_platform_is_no_evidence() -> None:
    wins, jobs = np.zeros((4, 2)), np.array([[0.0, 0], [0, 0], [0, 3], [0, 0]])
    rates = hierarchical_rates(STAR, "A", wins, jobs)
    assert rates[0] is NO_EVIDENCE and isinstance(rates[1], PooledRate)
    assert (rates[1].n, rates[1].own_share, rates[1].borrowed_share) == (0, 0, 1)


def test_a_tree_with_one_node_is_a_plain_jeffreys_rate() -> None:
    found = rate(platform_tree([]), "", (np.array([[4.0]]), np.array([[5.0]])))
    assert (found.mean, found.n, found.successes) == (4.5 / 6, 5, 4)
    assert (found.low, found.high) == beta_interval(4.5, 1.5)
    assert found.own_share == pytest.approx(5 / 6)


@pytest.mark.parametrize("jobs", [10_000.0, 1e6])
def test_many_own_jobs_outweigh_the_relatives(jobs: float) -> None:
    found = rate(STAR, "A", at(STAR, A=(0.9 * jobs, jobs), B=(0, 500)))
    assert found.mean == pytest.approx(0.9, abs=0.003) and found.own_share > 0.98
    low, high = beta_interval(0.9 * jobs + 0.5, 0.1 * jobs + 0.5)
    assert [found.low, found.high] == pytest.approx([low, high], abs=0.002)


@given(
    st.lists(st.tuples(st.floats(0, 60), st.floats(0, 60)), min_size=6, max_size=6),
    st.sampled_from(["", "A", "A/A1", "A/A1/x", "B", "B/B1"]),
)
@settings(max_examples=examples(40), deadline=None)
def test_nothing_is_ever_nan_or_out_of_bounds(counts: list[tuple[float, float]], platform: str) -> None:
    tree = platform_tree(["A/A1/x", "B/B1"])
    wins = np.array([[won] for won, _ in counts])
    rest = np.array([[lost] for _, lost in counts])
    (found,) = hierarchical_rates(tree, platform, wins, wins + rest)
    if isinstance(found, PooledRate):
        figures = [found.low, found.mean, found.high, found.own_share, found.apart]
        assert np.isfinite(figures).all() and found.low <= found.mean <= found.high
        assert found.low >= 0 and found.high <= 1 and 0 <= found.own_share <= 1 and 0 <= found.apart <= 1


@pytest.mark.parametrize(("won", "done"), [(-1.0, 2.0), (np.nan, 2.0), (3.0, 2.0)])
def test_impossible_counts_are_refused(won: float, done: float) -> None:
    with pytest.raises(ValueError, match=r"successes|negative"):
        hierarchical_rates(STAR, "A", *at(STAR, A=(won, done)))
