"""What is still possible. Oracles: scikit-learn's categorical naive Bayes, published posteriors (T. Mitchell 1997;
J. Rice; G. Gigerenzer and U. Hoffrage 1995), Rubin's ignorability by simulation of a flow's own choices."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.diagnosis.belief.cause_model import CauseModel, RepairAction
from shopkb.core.diagnosis.belief.likelihoods import floored
from shopkb.core.diagnosis.belief.posterior import MOST_LEFT, explained, how_many, posterior, rows_of
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, horn, model, result, two_outcomes
from tests.core.diagnosis.learning import model_of
from tests.core.diagnosis.published import example

TENNIS = example("tennis-naive-bayes-posterior")
TABLE = example("tennis-information-gain")["inputs"]
SCREENING = example("screening-test-bayes")


def tennis(alpha: float = 0.0) -> CauseModel:
    """The 14 days as closed jobs: the class is the cause, each attribute a test."""
    *attributes, _ = TABLE["columns"]
    classes = [row[-1] for row in TABLE["rows"]]
    prior = {cause: classes.count(cause) / len(classes) for cause in ("yes", "no")}
    tests: dict[str, dict[str, dict[str, float]]] = {}
    for place, attribute in enumerate(attributes):
        seen = Counter((row[place], row[-1]) for row in TABLE["rows"])
        values = sorted({row[place] for row in TABLE["rows"]})
        counts = np.array([[float(seen[value, cause]) for cause in prior] for value in values])
        table = floored(counts + alpha / len(values), floor=0.0)
        tests[attribute] = {value: dict(zip(prior, table[i], strict=True)) for i, value in enumerate(values)}
    return model(prior, tests)


def recorded(evidence: dict[str, str], without: str = "") -> list[CaseResult]:
    return [CaseResult("p", step, outcome) for step, outcome in evidence.items() if step != without]


def test_published_posterior_of_four_outcomes() -> None:
    results = recorded(TENNIS["inputs"]["evidence"])
    found = posterior(tennis(), results)
    assert found[1] == pytest.approx(TENNIS["expected"]["posterior_no"], abs=TENNIS["tolerance"]["exact"])
    assert found[1] == pytest.approx(TENNIS["expected"]["published"]["posterior_no"], abs=0.0005)


def test_a_skipped_test_leaves_its_factor_out() -> None:
    expected = TENNIS["expected"]["skipped_humidity"]["posterior_no"]
    skipped = [*recorded(TENNIS["inputs"]["evidence"], "humidity"), CaseResult("p", "humidity", "", "no time")]
    assert posterior(tennis(), skipped)[1] == pytest.approx(expected, abs=TENNIS["tolerance"]["exact"])


def test_smoothing_of_strength_one() -> None:
    expected = TENNIS["expected"]["smoothed_alpha_total_1_posterior_no"]
    found = posterior(tennis(1.0), recorded(TENNIS["inputs"]["evidence"]))
    assert found[1] == pytest.approx(expected, abs=TENNIS["tolerance"]["exact"])


@pytest.mark.parametrize("name", ["rice", "gigerenzer"])
def test_one_positive_test(name: str) -> None:
    given_ = SCREENING["inputs"][name]
    chances = {"ill": given_["sensitivity"], "well": given_["false_positive"]}
    one = model({"ill": given_["prior"], "well": 1 - given_["prior"]}, {"t": two_outcomes(chances)})
    (ill, _) = explained(one, [CaseResult("p", "t", "yes")])[::-1]
    assert ill.probability == pytest.approx(SCREENING["expected"][name], abs=SCREENING["tolerance"]["exact"])
    published = SCREENING["expected"]["published"][name]
    assert ill.probability == pytest.approx(published, abs=SCREENING["tolerance"]["published"])
    factor = given_["sensitivity"] / given_["false_positive"]
    assert ill.speaks_for[0].times == pytest.approx(factor)


@st.composite
def problems(draw: st.DrawFn) -> tuple[CauseModel, list[CaseResult]]:
    causes = [f"c{i}" for i in range(draw(st.integers(1, 6)))]
    if draw(st.booleans()):
        causes[-1] = OTHER
    weights = [draw(st.integers(1, 20)) for _ in causes]
    prior = {cause: weight / sum(weights) for cause, weight in zip(causes, weights, strict=True)}
    tests = {}
    results = []
    for number in range(draw(st.integers(1, 6))):
        tests[f"t{number}"] = two_outcomes({cause: draw(st.floats(0.01, 0.99)) for cause in causes})
        outcome = draw(st.sampled_from(["yes", "no", ""]))
        if outcome:
            results.append(CaseResult("p", f"t{number}", outcome))
    return model(prior, tests), results


@given(problems())
def test_equals_bayes_rule_in_fractions(problem: tuple[CauseModel, list[CaseResult]]) -> None:
    """Exact rational arithmetic on the same figures."""
    one, results = problem
    weights = []
    for column in range(len(one.causes)):
        weight = Fraction(float(one.prior[column]))
        for row in rows_of(one, results):
            weight *= Fraction(float(one.table[row, column]))
        weights.append(weight)
    expected = [float(weight / sum(weights)) for weight in weights]
    assert posterior(one, results) == pytest.approx(expected, abs=1e-12)


@given(problems(), st.randoms(use_true_random=False))
def test_order_of_results_does_not_matter(problem: tuple[CauseModel, list[CaseResult]], random: object) -> None:
    one, results = problem
    shuffled = list(results)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert posterior(one, shuffled) == pytest.approx(posterior(one, results), abs=1e-12)


def test_done_twice_the_latest_counts_once() -> None:
    one = model({"A": 0.5, "B": 0.5}, {"t": two_outcomes({"A": 0.9, "B": 0.2})})
    yes, no = CaseResult("p", "t", "yes"), CaseResult("p", "t", "no")
    assert np.array_equal(posterior(one, [no, yes, yes]), posterior(one, [yes]))
    assert np.array_equal(posterior(one, [yes, CaseResult("p", "t", "", "no time")]), posterior(one, [yes]))


def test_results_of_unknown_steps_and_outcomes_say_nothing() -> None:
    one = model({"A": 0.5, "B": 0.5}, {"t": two_outcomes({"A": 0.9, "B": 0.2})})
    stray = [CaseResult("p", "t", "maybe"), CaseResult("p", "u", "yes"), CaseResult("q", "t", "yes")]
    assert posterior(one, stray) == pytest.approx(one.prior)


def test_a_repair_without_a_cure_is_bayes_rule_over_botched_repairs_and_second_faults() -> None:
    """Enumerated in fractions: a cause alone, its repair botched in 2 of 100; or with a second fault, in 3 of 100."""
    prior = {"A": Fraction(3, 10), "B": Fraction(5, 10), OTHER: Fraction(2, 10)}
    chance = {"A": Fraction(1, 4), "B": Fraction(3, 4), OTHER: Fraction(1, 2)}
    one = model({k: float(p) for k, p in prior.items()}, {"t": two_outcomes({k: float(p) for k, p in chance.items()})})
    joint = {cause: prior[cause] * chance[cause] for cause in prior}
    stayed = {"A": joint["A"] * Fraction(2, 100), "B": joint["B"], OTHER: joint[OTHER] + joint["A"] * Fraction(3, 100)}
    exact = [float(share / sum(stayed.values())) for share in stayed.values()]
    assert posterior(one, [CaseResult("p", "t", "yes")], ["A", "A", "unheard#of"]) == pytest.approx(exact)


@given(problems(), st.data())
def test_repaired_causes_keep_one_in_twenty_together_at_most(
    problem: tuple[CauseModel, list[CaseResult]], data: st.DataObject
) -> None:
    one, results = problem
    tried = data.draw(st.lists(st.sampled_from(one.causes), max_size=3, unique=True))
    before, after = posterior(one, results), posterior(one, results, tried)
    columns = [one.column_of[cause] for cause in tried]
    rest = [column for column in range(after.size) if column not in columns]
    assert np.all(np.isfinite(after)) and after.sum() == pytest.approx(1)
    assert posterior(one, results, tried[::-1]) == pytest.approx(after)
    if before[rest].sum() > 0:
        assert after[columns].sum() <= min(MOST_LEFT, before[columns].sum()) + 1e-12
        assert np.all(after[rest] >= before[rest] * (1 - 1e-9))
    listed = [column for column in rest if one.causes[column] != OTHER and before[column] > 1e-9]
    ratios = after[listed] / before[listed]
    assert ratios == pytest.approx(np.full(len(listed), ratios.mean() if listed else 1))


def test_a_certain_cause_repaired_without_a_cure_is_left_a_failed_repair() -> None:
    sure = model({"A": 0.999, "B": 0.0005, OTHER: 0.0005}, {"t": two_outcomes({"A": 0.99, "B": 0.01, OTHER: 0.5})})
    after = posterior(sure, [CaseResult("p", "t", "yes")], ["A"])
    assert after[0] == pytest.approx(MOST_LEFT)
    assert after[2] > 10 * after[1]
    assert posterior(model({"A": 1.0}, {}), [], ["A"]) == pytest.approx([1.0])


def test_a_repair_speaks_against_its_cause_and_those_of_the_same_correction() -> None:
    one = model_of(horn(), {}, as_of="2026-11")
    (last,) = [possible for possible in explained(one, [], [HORN]) if possible.cause == HORN]
    assert last.repaired
    assert [reason.words for reason in last.speaks_against] == ["It was repaired and the complaint stayed."]
    assert last.speaks_for == ()
    both = replace(one, repairs=(RepairAction((0, 1), "Clean everything.", 5.0), *one.repairs[2:]))
    found = {possible.cause: possible for possible in explained(both, [], [HORN])}
    assert [reason.words for reason in found[GROUND].speaks_against] == [
        "Its correction was made and the complaint stayed."
    ]
    assert found[GROUND].repaired and not found[RELAY].repaired


def test_no_reading_makes_a_cause_impossible() -> None:
    one = model_of(horn(), {}, as_of="2026-11")
    results = [result("press", "sounds"), result("supply", "weak"), result("ground", "bad"), result("direct", "silent")]
    found = posterior(one, results, [HORN, GROUND, RELAY])
    assert np.all(found > 0)
    assert found.sum() == pytest.approx(1)
    assert one.causes[int(found.argmax())] == OTHER


def test_an_impossible_record_leaves_what_contradicts_it_least() -> None:
    certain = model({"A": 1.0, "B": 0.0}, {"t": two_outcomes({"A": 0.0, "B": 1.0})})
    assert posterior(certain, [CaseResult("p", "t", "yes")]) == pytest.approx([1.0, 0.0])
    tests = {"t": two_outcomes({"A": 0.0, "B": 0.0}), "u": two_outcomes({"A": 0.0, "B": 0.7})}
    both = model({"A": 0.5, "B": 0.5}, tests)
    found = posterior(both, [CaseResult("p", "t", "yes"), CaseResult("p", "u", "yes")])
    assert found == pytest.approx([0.0, 1.0])
    for possible in explained(certain, [CaseResult("p", "t", "yes")]):
        assert np.isfinite(possible.probability)
        assert all(reason.times > 0 for reason in possible.speaks_for + possible.speaks_against)


def test_a_cause_with_probability_zero_stays_there() -> None:
    none = model({"A": 0.5, "B": 0.0, "C": 0.5}, {"t": two_outcomes({"A": 0.5, "B": 0.99, "C": 0.5})})
    assert posterior(none, [CaseResult("p", "t", "yes")]) == pytest.approx([0.5, 0.0, 0.5])


def test_reasons_in_words_strongest_first() -> None:
    one = model_of(horn(), {}, as_of="2026-11")
    results = [result("press", "click"), result("supply", "full"), result("ground", "bad")]
    found = explained(one, results)
    assert found[0].cause == GROUND
    assert found[0].name == "earth, high resistance"
    assert found[0].believed_at_first == pytest.approx(1.5 / 6.5)
    # bad: 0.95 against (3 x 0.03 + 1.5 x 0.03 + 0.5 x 0.03) / 5
    # full: 0.96 against (3 x 0.96 + 1.5 x 0.05 + 0.5 x 0.96) / 5
    assert [reason.words for reason in found[0].speaks_for] == [
        "Voltage drop of the horn ground: Drop too high \N{EN DASH} 32 times likelier with this cause than with "
        "the others.",
        "Voltage at the horn connector: Full supply \N{EN DASH} 1.4 times likelier with this cause than with "
        "the others.",
    ]
    assert found[0].speaks_for[0].times > found[0].speaks_for[1].times > 1.25
    against = {possible.cause: possible.speaks_against for possible in found}[RELAY]
    assert (against[0].step, against[0].outcome) == ("supply", "full")
    assert sum(possible.probability for possible in found) == pytest.approx(1)


@pytest.mark.parametrize(
    ("times", "words"),
    [
        (20, "20 times likelier"),
        (1.5, "1.5 times likelier"),
        (0.05, "20 times less likely"),
        (1 / 3, "3.0 times less likely"),
    ],
)
def test_factors_as_people_say_them(times: float, words: str) -> None:
    assert how_many(times) == words


def test_stopping_early_does_not_bend_the_likelihoods() -> None:
    """Rubin 1976: which test comes next rests on what is recorded, so it cancels. 60 000 simulated jobs; a true 0.70
    is found again from those jobs that were led to the second test."""
    rng = np.random.default_rng(11)
    cause = rng.random(60_000) < 0.5
    first = rng.random(60_000) < np.where(cause, 0.8, 0.3)
    second = rng.random(60_000) < np.where(cause, 0.7, 0.2)
    seen = first & cause
    assert second[seen].mean() == pytest.approx(0.7, abs=0.01)
    one = model(
        {"A": 0.5, "B": 0.5}, {"t": two_outcomes({"A": 0.8, "B": 0.3}), "u": two_outcomes({"A": 0.7, "B": 0.2})}
    )
    found = posterior(one, [CaseResult("p", "t", "yes"), CaseResult("p", "u", "yes")])
    assert found[0] == pytest.approx(cause[first & second].mean(), abs=0.01)
