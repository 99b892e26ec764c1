"""Two-pass pooling. Oracles: an exact hierarchical posterior by numerical integration (in the worked example), and
beta-binomial conjugacy with scipy where there is one parent."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from shopkb.core.diagnosis.rates.intervals import Array, beta_interval
from shopkb.core.diagnosis.rates.pooling import DEFAULT_STRENGTH, Forest, platform_tree, pool
from shopkb.core.identifiers import is_within
from tests.core.diagnosis.published import example
from tests.examples import examples

TREE = example("platform-tree-two-pass")
PATHS = {"maker": "", "A": "A", "B": "B", "A1": "A/A1", "A2": "A/A2", "B1": "B/B1"}


def worked_counts() -> tuple[Array, Array]:
    tree = platform_tree(PATHS.values())
    successes, jobs = np.zeros(len(tree.paths)), np.zeros(len(tree.paths))
    for name, path in PATHS.items():
        successes[tree.index[path]] = TREE["inputs"]["successes"].get(name, 0)
        jobs[tree.index[path]] = TREE["inputs"]["jobs"].get(name, 0)
    return successes[:, None], jobs[:, None]


@pytest.mark.parametrize("name", PATHS)
def test_worked_example_and_exact_posterior(name: str) -> None:
    tree, (successes, jobs) = platform_tree(PATHS.values()), worked_counts()
    posterior = pool(tree.forest, np.stack([successes, jobs - successes], -1), (12, 20)).posterior
    a, b = posterior[tree.index[PATHS[name]], 0]
    mean, (low, high) = a / (a + b), beta_interval(a, b)
    expected = TREE["expected"]["nodes"][name]
    assert [mean, low, high] == pytest.approx(
        [expected["mean"], expected["lo95"], expected["hi95"]], abs=TREE["tolerance"]["two_pass"]
    )
    exact = TREE["expected"]["exact_by_numerical_integration"][name]
    assert mean == pytest.approx(exact["mean"], abs=TREE["tolerance"]["exact_mean"])
    assert [low, high] == pytest.approx([exact["lo95"], exact["hi95"]], abs=TREE["tolerance"]["exact_limits"])
    assert [a, b] == pytest.approx([expected["a"], expected["b"]], abs=1e-8)


def test_one_child_with_all_successes_is_not_counted_twice() -> None:
    expected = TREE["expected"]["one_child_all_successes_5_of_5_kappa_20"]
    tree = platform_tree(["A"])
    pooled = pool(tree.forest, np.array([[0.0, 0.0], [5.0, 0.0]]), (20,))
    assert pooled.posterior[1] == pytest.approx(expected["child"], abs=1e-8)
    assert pooled.posterior[0] == pytest.approx(expected["root"], abs=1e-8)
    assert beta_interval(*pooled.posterior[1]) == pytest.approx(expected["child_interval95_with_edge_rule"], abs=1e-8)


trees = st.lists(
    st.sampled_from(["A", "A/A1", "A/A2", "A/A1/x", "B/B1", "B/B2/y/z", "C"]), min_size=1, max_size=7, unique=True
).map(platform_tree)


@given(tree=trees, data=st.data(), kappa=st.floats(1, 200))
@settings(max_examples=examples(60))
def test_success_rate_is_the_case_of_two_kinds_of_the_vectors(tree: object, data: st.DataObject, kappa: float) -> None:
    """Summing kinds of a Dirichlet gives the beta of the sum, since the discounts depend on totals alone."""
    forest = tree.forest  # type: ignore[attr-defined]
    counts = data.draw(arrays(np.float64, (len(forest), 3), elements=st.floats(0, 50)))
    three = pool(forest, counts, (kappa,), np.array([0.2, 0.3, 0.5]))
    two = pool(forest, np.stack([counts[:, 0], counts[:, 1] + counts[:, 2]], -1), (kappa,), np.array([0.2, 0.8]))
    assert three.posterior[:, 0] == pytest.approx(two.posterior[:, 0])
    assert three.mean.sum(axis=-1) == pytest.approx(np.ones(len(forest)))


@given(tree=trees, data=st.data(), kappa=st.floats(0.5, 200))
@settings(max_examples=examples(60))
def test_nothing_is_ever_nan_and_the_prior_never_exceeds_its_strength(
    tree: object, data: st.DataObject, kappa: float
) -> None:
    forest = tree.forest  # type: ignore[attr-defined]
    counts = data.draw(arrays(np.float64, (len(forest), 2), elements=st.floats(0, 1e6)))
    pooled = pool(forest, counts, (kappa,))
    assert np.all(np.isfinite(pooled.posterior)) and np.all(pooled.prior > 0)
    assert np.all(pooled.prior[1:].sum(axis=-1) <= kappa * (1 + 1e-12))
    assert np.all((pooled.own_share >= 0) & (pooled.own_share < 1))


def test_tree_holds_every_ancestor_level_by_level() -> None:
    tree = platform_tree(["dunlin/d4/mk2/2-0", "curlew/a1"])
    assert tree.paths == ("", "curlew", "dunlin", "curlew/a1", "dunlin/d4", "dunlin/d4/mk2", "dunlin/d4/mk2/2-0")
    assert [level.stop - level.start for level in tree.forest.levels] == [1, 2, 2, 1, 1]
    assert list(tree.forest.parent) == [-1, 0, 0, 1, 2, 4, 5]


def test_is_within_respects_whole_names() -> None:
    assert is_within("curlew/a1", "curlew")
    assert is_within("curlew", "")
    assert not is_within("curlew-ii", "curlew")


@pytest.mark.parametrize(
    ("parent", "message"),
    [
        ([], "A tree has at least one node, and its first node is a root."),
        ([0, 1], "A tree has at least one node, and its first node is a root."),
        ([-1, 1], "Nodes must come level by level, each after its parent and beside its brothers."),
        ([-1, 0, -1], "Nodes must come level by level, each after its parent and beside its brothers."),
    ],
)
def test_a_faulty_tree_is_refused(parent: list[int], message: str) -> None:
    with pytest.raises(ValueError) as caught:
        Forest(np.array(parent, dtype=np.intp))
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("counts", "strengths", "prior", "message"),
    [
        (
            [[1.0, -1.0]],
            (),
            [0.5, 0.5],
            "Counts of jobs are finite and not negative, and there are no more successes than jobs.",
        ),
        (
            [[1.0, np.nan]],
            (),
            [0.5, 0.5],
            "Counts of jobs are finite and not negative, and there are no more successes than jobs.",
        ),
        ([[1.0, 1.0]], (12, 0), [0.5, 0.5], "The strength of a level is above 0; got 12, 0."),
        ([[1.0, 1.0]], (), [0.5, 0.0], "What is believed before any job must be above 0 for every kind."),
    ],
)
def test_impossible_input_is_refused(
    counts: list[list[float]], strengths: tuple[float, ...], prior: list[float], message: str
) -> None:
    with pytest.raises(ValueError) as caught:
        pool(platform_tree([]).forest, np.array(counts), strengths, np.array(prior))
    assert str(caught.value) == message


def test_missing_strengths_take_the_last_given_or_the_default() -> None:
    tree = platform_tree(["A/A1/x"])
    counts = np.array([[1.0, 2], [3, 4], [5, 6], [7, 8]])
    assert np.array_equal(pool(tree.forest, counts, (9,)).prior, pool(tree.forest, counts, (9, 9, 9)).prior)
    assert np.array_equal(pool(tree.forest, counts).prior, pool(tree.forest, counts, (DEFAULT_STRENGTH,)).prior)
