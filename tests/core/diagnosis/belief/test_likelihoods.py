"""Likelihoods and priors from counts. Oracle: Dirichlet-multinomial conjugacy with scipy."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import dirichlet

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import (
    MOST_MISLED,
    base_of,
    cause_strengths,
    floored,
    how_often_misled,
    learn,
    minutes_of,
    prior_of,
    prior_weights,
)
from shopkb.core.diagnosis.counting.flow_counts import OTHER, count
from shopkb.core.diagnosis.counting.tallies import Tallies
from shopkb.core.flow.hand_overs import HandOverCauses
from shopkb.core.flow.model import Cause, Flow, Outcome, Proof, Step, TestKind, Usual
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, go, horn, model, tally, together, two_outcomes
from tests.core.diagnosis.learning import model_of
from tests.core.diagnosis.published import example
from tests.examples import examples

SMOOTHING = example("dirichlet-smoothing")


def horn_model(*parts: Tallies, **changes: object) -> CauseModel:
    return model_of(horn(), together(*parts), as_of="2026-11", **changes)  # type: ignore[arg-type]


def test_smoothed_means_of_the_worked_example() -> None:
    counts = np.array(SMOOTHING["inputs"]["counts"], dtype=float)[:, None]
    base = np.array(SMOOTHING["inputs"]["base"])[:, None]
    table = floored(counts + SMOOTHING["inputs"]["alpha_total"] * base, floor=0.0)
    assert table[:, 0] == pytest.approx(SMOOTHING["expected"]["mean"], abs=SMOOTHING["tolerance"])


@given(
    counts=arrays(np.float64, (4, 1), elements=st.floats(0, 40)),
    weights=arrays(np.float64, 4, elements=st.floats(0.1, 1)),
    strength=st.floats(0.5, 8),
)
def test_smoothing_is_the_mean_of_the_dirichlet_posterior(
    counts: np.ndarray, weights: np.ndarray, strength: float
) -> None:
    base = weights / weights.sum()
    table = floored(counts + strength * base[:, None], floor=0.0)
    assert table[:, 0] == pytest.approx(dirichlet.mean(counts[:, 0] + strength * base))


def test_the_flow_itself_is_the_base() -> None:
    base = base_of(np.array([[1.0, 1, 0], [1, 0, 0], [0, 0, 0]]), np.array([6.0, 3, 1]))
    assert base[:, 0] == pytest.approx([0.95 * 6 / 9, 0.95 * 3 / 9, 0.05])
    assert base[:, 1] == pytest.approx([0.95, 0.05 * 3 / 4, 0.05 / 4])
    assert base[:, 2] == pytest.approx([0.6, 0.3, 0.1])
    every = base_of(np.ones((2, 1)), np.array([1.0, 3]))
    assert every[:, 0] == pytest.approx([0.25, 0.75])
    surer = base_of(np.array([[1.0, 0], [0, 1], [0, 0]]), np.array([2.0, 1, 1]), np.array([[0.03], [0.05], [0.05]]))
    assert surer[:, 0] == pytest.approx([0.95, 0.025, 0.025])
    assert surer[:, 1] == pytest.approx([0.03 * 2 / 3, 1 - 0.02 - 0.05 / 3, 0.05 / 3])


def test_a_new_procedure_reasons_as_its_writer_does() -> None:
    found = horn_model()
    row = {key[1:]: found.table[number] for key, number in found.row_of.items()}
    column = found.column_of
    assert row["supply", "full"][column[RELAY]] == pytest.approx(0.05)
    # A measured proof misleads in 0.03, an elimination in 0.05, each half of the outcomes that lead elsewhere.
    assert row["supply", "full"][column[HORN]] == pytest.approx(1 - 0.03 / 2 - 0.05 / 2)
    assert row["ground", "bad"][column[GROUND]] == pytest.approx(0.95)
    # Of another cause the earth is sound, and behind a sound earth the search may end with nothing found.
    assert row["ground", "bad"][[column[OTHER], column[RELAY]]] == pytest.approx([0.03, 0.03])
    assert row["press", "click"][column[HORN]] == pytest.approx(1 - 0.05 / 2 - 0.03 / 2)
    assert found.prior == pytest.approx(np.array([3, 1.5, 1.5, 0.5]) / 6.5)
    assert found.name(HORN) == "horn, open circuit"
    assert found.name(OTHER) == "a cause this procedure does not know"
    assert found.name("unheard#of") == "unheard#of"


def test_data_overrule_the_writer() -> None:
    found = horn_model(tally("supply", "full", RELAY, 30), tally("supply", "weak", RELAY, 10))
    row = found.row_of["horn-silent", "supply", "full"]
    # The base, eight jobs of it, gives full 0.05; 30 of 40 jobs say otherwise.
    assert found.table[row, found.column_of[RELAY]] == pytest.approx((30 + 8 * 0.05) / 48)


def test_priors_are_corrected_where_the_first_step_calls_for_it() -> None:
    parts = (
        tally("press", "sounds", HORN, 200), tally("press", "sounds", "", 300), tally("press", "click", RELAY, 500),
        tally("", "", HORN, 200, platform=""), tally("", "", RELAY, 500, platform=""), tally("", "", "", 300),
    )  # fmt: skip
    counts = count(horn(), together(*parts), as_of="2026-11", half_life=None)
    prior = prior_of(counts)
    assert prior.sum() == pytest.approx(1)
    assert prior[counts.causes.index(HORN)] == pytest.approx(0.5, abs=0.05)
    plain = horn_model(*parts[3:5]).prior
    assert plain[counts.causes.index(HORN)] < 0.3


def test_how_a_cause_was_proven_does_not_change_how_often_it_comes() -> None:
    """Elimination counts half in likelihoods only: causes that come as often are believed as often."""
    parts = tally("", "", GROUND, 4000), tally("", "", RELAY, 4000, proof="elimination")
    prior = horn_model(*parts).prior
    assert prior[1] == pytest.approx(prior[2])


def test_all_vehicles_are_the_shops_own_mix_of_causes() -> None:
    """90 jobs of one make and 10 of another: 80 horns of 100 jobs beside the starting belief, not the mean of the
    makes."""
    counts = count(
        horn(),
        together(
            tally("", "", HORN, 80, platform="curlew/a1"),
            tally("", "", RELAY, 10, platform="curlew/a1"),
            tally("", "", RELAY, 10, platform="dunlin/d4"),
        ),
        as_of="2026-11",
    )
    start = prior_weights(count(horn(), {}, as_of="2026-11"))
    assert prior_weights(counts) == pytest.approx(start + counts.runs.sum(axis=0))
    assert prior_of(counts)[0] == pytest.approx((80 + start[0]) / (100 + start.sum()))


def test_strengths_of_shares_need_one_tree() -> None:
    counts = [count(horn(), tally("", "", HORN, platform=path), as_of="2026-11") for path in ("curlew", "dunlin")]
    assert cause_strengths([]) == ()
    assert len(cause_strengths(counts[:1])) == 1
    with pytest.raises(ValueError) as caught:
        cause_strengths(counts)
    assert str(caught.value) == "The flows were counted over different platform trees; give each the same platforms."


def test_an_outcome_that_seldom_comes_still_tells() -> None:
    """The floor is a part of what the outcome is where it comes most, not the same for all outcomes."""
    table = floored(np.array([[1.0, 0.0], [199.0, 1000.0]]))
    assert table[0, 1] == pytest.approx(0.005 * table[0, 0], rel=1e-3)
    assert table.sum(axis=0) == pytest.approx([1, 1])


def test_how_often_an_outcome_misleads_is_learned_from_the_other_causes() -> None:
    """Two causes: by hand, with the writer's word counting for thirty jobs and the cause's own jobs left out."""
    leads, written = np.array([[1.0, 0, 0], [0, 1, 1]]), np.array([0.03, 0.05])
    verified = np.array([[50.0, 2, 0], [1, 38, 60]])
    found = how_often_misled(leads, np.array([1.0, 1]), verified, written)
    assert found[0, 1] == pytest.approx((30 * 0.03 + 0) / (30 + 60))
    assert found[0, 2] == pytest.approx((30 * 0.03 + 2) / (30 + 40))
    assert found[1, 0] == pytest.approx(0.05)
    nothing = how_often_misled(leads, np.array([1.0, 1]), 0 * verified, written)
    assert nothing == pytest.approx(np.repeat(written[:, None], 3, axis=1))
    often = how_often_misled(leads, np.array([1.0, 1]), np.array([[0.0, 900, 900], [9, 1, 1]]), written)
    assert often[0, 1] == MOST_MISLED


def test_a_proof_here_is_likelier_than_one_in_another_procedure() -> None:
    """The relay is proven behind a weak supply; the procedure handed over to, from a button that does not click, lists
    it too. Both lead to it, the hand-over a fifth as often, and neither leads away."""
    there = HandOverCauses((), (("horn-control", frozenset({RELAY})),))
    found = learn(count(horn(), {}, as_of="2026-11", half_life=None, behind=there))
    press = [found.row_of["horn-silent", "press", outcome] for outcome in ("sounds", "click", "no-click")]
    click, no_click = found.table[press[1:], found.column_of[RELAY]]
    assert no_click == pytest.approx(0.2 * click)


def test_priors_differ_by_platform_and_strangers_get_their_relatives() -> None:
    parts = tally("", "", HORN, 20, platform="curlew/a1"), tally("", "", RELAY, 20, platform="dunlin/d4")
    priors = {path: horn_model(*parts, platform=path).prior for path in ("curlew/a1", "dunlin/d4", "dunlin/d5", "")}
    assert priors["curlew/a1"][0] > priors[""][0] > priors["dunlin/d5"][0] > priors["dunlin/d4"][0]
    for prior in priors.values():
        assert prior.sum() == pytest.approx(1)
        assert np.all(prior > 0)


@given(
    outcomes=st.lists(
        st.tuples(
            st.sampled_from([("supply", "full"), ("supply", "weak"), ("ground", "bad"), ("press", "click")]),
            st.sampled_from([HORN, GROUND, RELAY, "", "elsewhere#broken"]),
            st.integers(0, 10**6),
        ),
        max_size=8,
    )
)
@settings(max_examples=examples(60))
def test_every_likelihood_is_above_its_floor_and_sums_to_one(
    outcomes: list[tuple[tuple[str, str], str, int]],
) -> None:
    found = horn_model(*(tally(*branch, cause, number) for branch, cause, number in outcomes))
    assert np.all(found.table >= 0.005 * found.table.max(axis=1, keepdims=True) / (1 + 3 * 0.005))
    assert np.add.reduceat(found.table, found.starts, axis=0) == pytest.approx(np.ones((4, 4)))
    assert np.all(np.isfinite(found.outcome_entropy)) and np.all(found.outcome_entropy >= 0)


def test_two_causes_with_one_correction_are_one_repair() -> None:
    causes = (
        Cause("a", "body/x", "open circuit", correction="Fit a new x.", minutes=10, price=30),
        Cause("b", "body/x", "short circuit", correction="Fit a  new X", minutes=12),
        Cause("c", "body/y", "open circuit", correction="Fit a new x."),
        Cause("d", "body/z", "loose"),
    )
    steps = (Step("s", "S", TestKind.LOOK, (Outcome("yes", "Yes", go("a", ["a"])),), at="body/x", access="lifted"),)
    found = model_of(Flow("p", "P", "body", "s", steps, causes), {}, as_of="2026-11")
    assert [(repair.causes, repair.minutes, repair.price, repair.access) for repair in found.repairs] == [
        ((0, 1), 12, 30, "lifted"),
        ((2,), 5, 0, ""),
        ((3,), 5, 0, ""),
    ]
    assert found.repair_matrix.sum(axis=1) == pytest.approx(np.ones(5))
    assert found.repair_matrix[-1, -1] == 1
    assert found.branches[0].proof is Proof.ELIMINATION


def test_two_causes_with_one_identity_are_one_cause() -> None:
    causes = (Cause("a", "body/x", "Open ", Usual.RARE), Cause("b", "body/x", "open", Usual.COMMON))
    steps = (Step("s", "S", TestKind.LOOK, (Outcome("yes", "Yes", go("b", ["b"])),)),)
    found = model_of(Flow("p", "P", "body", "s", steps, causes), {}, as_of="2026-11")
    assert found.causes == ("body/x#open", OTHER)
    assert found.prior == pytest.approx([3 / 3.5, 0.5 / 3.5])


def test_minutes_begin_with_the_writer_and_move_to_what_jobs_took() -> None:
    assert minutes_of(4, 0, 0, 0) == pytest.approx((4, 4))
    assert minutes_of(None, 0, 0, 0) == pytest.approx((5, 6.25))
    mean, variance = minutes_of(4, 1000, 10_000, 104_000)
    assert mean == pytest.approx(10, abs=0.02)
    assert variance == pytest.approx(4, abs=0.1)
    assert minutes_of(0, 0, 0, 0)[0] == 0.25
    found = horn_model(tally("supply", "full", HORN, 2, timed=2, seconds=960, seconds_squared=460_800))
    assert found.tests[1].minutes == pytest.approx((2 * 4 + 2 * 8) / 4)


def test_nothing_known_at_all_leaves_other() -> None:
    empty = model_of(Flow("p", "P", "body", "", ()), {}, as_of="2026-11")
    assert empty.causes == (OTHER,)
    assert empty.prior == pytest.approx([1.0])
    assert empty.outcome_entropy.shape == (0, 1)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"prior": np.array([0.5])}, "The table must have one row for each branch and one column for each cause."),
        ({"prior": np.array([0.7, 0.7])}, "What is believed of the causes must be probabilities that sum to 1."),
        ({"prior": np.array([1.5, -0.5])}, "What is believed of the causes must be probabilities that sum to 1."),
        ({"prior": np.array([np.nan, 1])}, "What is believed of the causes must be probabilities that sum to 1."),
        (
            {"table": np.array([[0.9, 0.5], [0.9, 0.5]])},
            "The outcomes of each test must have probabilities that sum to 1 for every cause.",
        ),
    ],
)
def test_figures_that_are_no_probabilities_are_refused(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError) as caught:
        model({"A": 0.6, OTHER: 0.4}, {"t": two_outcomes({"A": 0.9, OTHER: 0.5})}, **changes)
    assert str(caught.value) == message


def test_settings_left_alone_are_never_changed_by_use() -> None:
    weights = MappingProxyType({"elimination": 0.0})
    found = horn_model(tally("supply", "absent", RELAY, 9, proof="elimination"), proof_weights=weights)
    assert found.evidence is not None
    assert found.evidence.sum() == 0
