"""Whatever the evidence, however odd: figures are finite, shares sum to 1, order does not matter, more evidence for a
cause never speaks against it. Oracles beside the laws: exact enumeration over whole jobs, and numpy's own Dirichlet."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.advice.next_action import advise
from shopkb.core.diagnosis.advice.repairs import Prices
from shopkb.core.diagnosis.appraisal.expected_cost import appraise
from shopkb.core.diagnosis.belief.joined import FollowedProcedure, joined
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.belief.posterior import explained, posterior
from shopkb.core.diagnosis.counting.branch_success import branch_evidence
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import OTHER, count
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums, merge
from shopkb.core.diagnosis.rates.hierarchical import PooledRate
from shopkb.core.diagnosis.scores.drift import drift
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, horn
from tests.core.diagnosis.learning import model_of
from tests.examples import examples

NOW = "2026-11"
FLOW = horn()
BRANCHES = [(step.key, outcome.key) for step in FLOW.steps for outcome in step.outcomes]
ODD = [("supply", "melted"), ("removed", "yes"), ("press", "skip:no-time"), ("", "")]
whole = st.one_of(st.integers(0, 30), st.sampled_from([0, 1, 10**7, -3]))

tallies = st.dictionaries(
    st.builds(
        lambda branch, cause, proof, platform, month: TallyKey(
            FLOW.procedure, *branch, cause, proof if cause else "", platform, month
        ),
        st.sampled_from([*BRANCHES, *ODD]),
        st.sampled_from(["", HORN, GROUND, RELAY, "elsewhere#unknown", OTHER]),
        st.sampled_from(["measured", "elimination", "hearsay"]),
        st.sampled_from(["", "curlew", "curlew/a1", "dunlin//d4", "godwit/x/y/z"]),
        st.sampled_from(["1999-01", "2026-02", "2026-11", "2031-05"]),
    ),
    st.builds(TallySums, whole, whole, whole, whole, whole, whole, whole),
    max_size=25,
)
results = st.lists(
    st.sampled_from([*BRANCHES, *ODD[:2]]).map(lambda branch: CaseResult(FLOW.procedure, *branch)), max_size=6
)
tried = st.lists(st.sampled_from([HORN, GROUND, RELAY, "elsewhere#unknown", OTHER]), max_size=3)


@given(tallies, results, tried, st.sampled_from(["", "curlew/a1", "nobody/knows"]), st.booleans())
@settings(max_examples=examples(80))
def test_whatever_was_counted_every_figure_is_sound(
    found: dict[TallyKey, TallySums], recorded: list[CaseResult], not_cured: list[str], platform: str, prove: bool
) -> None:
    counts = count(FLOW, found, as_of=NOW)
    model = learn(counts, platform, access_minutes={"bumper-off": 12.0})
    assert model.prior.sum() == pytest.approx(1) and np.all(model.prior > 0)
    assert np.all(np.add.reduceat(model.table, model.starts, axis=0) == pytest.approx(1))
    assert np.all(model.table > 0)
    now = posterior(model, recorded, not_cured)
    assert np.all(np.isfinite(now)) and np.all(now >= 0) and now.sum() == pytest.approx(1)
    for one in explained(model, recorded, not_cured):
        assert all(np.isfinite(reason.times) and reason.times > 0 for reason in one.speaks_for + one.speaks_against)
    advice = advise(model, recorded, not_cured, prices=Prices(prove_first=prove))
    figures = [advice.without_tests, *(t.expected for t in advice.tests), *(r.expected for r in advice.repairs)]
    assert np.all(np.isfinite(figures)) and min(figures) >= 0
    assert advice.words
    passed = appraise(FLOW, model)
    ends = passed.right + passed.wrong + passed.dead_end + passed.handed_over
    assert ends == pytest.approx(1) and np.isfinite([passed.minutes, passed.deviation]).all()
    for branch in branch_evidence(counts, platform).values():
        rate = branch.rate
        if isinstance(rate, PooledRate):
            assert 0 <= rate.low <= rate.mean <= rate.high <= 1 and 0 <= rate.own_share <= 1
    changed = drift(FLOW, found, as_of=NOW)
    assert all(np.isfinite(each.strength) for each in (*changed.branches, *changed.steps))


@given(tallies, st.randoms(use_true_random=False))
@settings(max_examples=examples(40))
def test_the_order_of_the_tallies_does_not_matter(found: dict[TallyKey, TallySums], dice: object) -> None:
    keys = list(found)
    dice.shuffle(keys)  # type: ignore[attr-defined]
    one, other = (model_of(FLOW, part, as_of=NOW) for part in (found, {key: found[key] for key in keys}))
    assert other.prior == pytest.approx(one.prior, rel=1e-9)
    assert other.table == pytest.approx(one.table, rel=1e-9)


sound = st.dictionaries(
    st.builds(
        lambda branch, cause: TallyKey(FLOW.procedure, *branch, cause, "measured" if cause else "", "curlew", NOW),
        st.sampled_from(BRANCHES), st.sampled_from(["", HORN, GROUND, RELAY]),
    ),
    st.integers(1, 40).map(TallySums), max_size=15,
)  # fmt: skip


@given(sound, st.sampled_from(BRANCHES), st.sampled_from([HORN, GROUND, RELAY]), st.integers(1, 5))
@settings(max_examples=examples(60))
def test_one_more_job_with_an_outcome_makes_it_likelier_under_its_cause(
    found: dict[TallyKey, TallySums], branch: tuple[str, str], cause: str, jobs: int
) -> None:
    """At an end, where nothing behind it can weigh it anew, and where all jobs were verified: else the new one may be
    of an end that is verified more than others, and count for less than they do."""
    found = {key: sums for key, sums in found.items() if key.cause}
    if FLOW.step_by_key[branch[0]].outcome(branch[1]).go.kind == "step":
        return
    key = TallyKey(FLOW.procedure, *branch, cause, "measured", "curlew", "2026-11")
    before, after = (model_of(FLOW, part, as_of=NOW) for part in (found, merge([found, {key: TallySums(jobs)}])))
    row = before.row_of[FLOW.procedure, *branch]
    column = before.column_of[cause]
    assert after.table[row, column] >= before.table[row, column] - 1e-9


@given(results, st.sampled_from(BRANCHES))
@settings(max_examples=examples(60))
def test_a_result_helps_the_cause_under_which_it_is_likeliest(
    recorded: list[CaseResult], branch: tuple[str, str]
) -> None:
    model = model_of(FLOW, {}, as_of=NOW)
    if branch[0] in {result.step for result in recorded}:
        return
    best = int(model.table[model.row_of[FLOW.procedure, *branch]].argmax())
    before = posterior(model, recorded)
    after = posterior(model, [*recorded, CaseResult(FLOW.procedure, *branch)])
    assert after[best] >= before[best] - 1e-12


def test_forecasts_of_the_model_are_those_of_whole_jobs_enumerated() -> None:
    """Every way through the horn under every cause, weighed by prior and likelihoods: shares of causes among the ways
    that agree with a record are its posterior."""
    model = model_of(FLOW, {}, as_of=NOW)
    ways = list(product(*(range(len(step.outcomes)) for step in FLOW.steps)))
    shares = np.array([
        model.prior * np.prod([model.table[model.tests[t].start + o] for t, o in enumerate(way)], axis=0)
        for way in ways
    ])  # fmt: skip
    assert shares.sum() == pytest.approx(1)
    for step, outcome in ((1, 0), (2, 1), (3, 0)):
        agree = [place for place, way in enumerate(ways) if way[0] == 1 and way[step] == outcome]
        record = [("press", "click"), (FLOW.steps[step].key, FLOW.steps[step].outcomes[outcome].key)]
        expected = shares[agree].sum(axis=0) / shares[agree].sum()
        assert posterior(model, [CaseResult(FLOW.procedure, *branch) for branch in record]) == pytest.approx(expected)


def test_runs_joined_in_either_order_agree_on_what_both_know() -> None:
    """Two procedures that know the same causes and believe the same: it does not matter which was followed first."""
    one = model_of(FLOW, {}, as_of=NOW)
    again = replace(
        one,
        branches=tuple(branch._replace(procedure="again") for branch in one.branches),
        tests=tuple(replace(test, procedure="again") for test in one.tests),
    )
    record = [CaseResult(FLOW.procedure, "press", "click"), CaseResult("again", "ground", "bad")]
    runs = [FollowedProcedure(FLOW.procedure, one), FollowedProcedure("again", again)]
    assert posterior(joined(runs), record) == pytest.approx(posterior(joined(runs[::-1]), record), abs=1e-9)


def test_a_shop_whose_hour_costs_nothing_is_refused_in_words() -> None:
    for rate in (0.0, -60.0, float("nan")):
        with pytest.raises(ValueError, match="hour"):
            Prices(hourly_rate=rate)
