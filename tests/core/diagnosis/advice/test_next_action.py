"""What to do next. Oracles: J. Quinlan's table of 14 days, scikit-learn's mutual information, an exact dynamic
programme over every plan (here for three small problems, in tests/simulation for hundreds)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import mutual_info_score

from shopkb.core.diagnosis.advice import lookahead
from shopkb.core.diagnosis.advice.next_action import Advice, advise
from shopkb.core.diagnosis.advice.repairs import Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel, RepairAction
from shopkb.core.diagnosis.belief.information import information_gain
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Proof
from tests.core.diagnosis.belief.test_posterior import tennis
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, horn, model, result, two_outcomes
from tests.core.diagnosis.learning import model_of
from tests.core.diagnosis.published import example
from tests.examples import examples

CHOICE = example("next-test-choice")
CAR = example("value-of-two-tests")
DAYS = example("tennis-information-gain")
ACCESS = {"cabin": 0.0, "bumper-off": 12.0}


def gini_drop(model: CauseModel, weights: Array) -> Array:
    """Expected drop of the Gini impurity over repairs by each test. O(branches x causes)."""
    if not model.tests:
        return np.zeros(0)
    joint: Array = (model.table * weights) @ model.repair_matrix
    outcomes = joint.sum(axis=1)
    kept = (joint**2).sum(axis=1) / np.where(outcomes > 0, outcomes, 1)
    drop: Array = np.add.reduceat(kept, model.starts) - ((weights @ model.repair_matrix) ** 2).sum()
    return drop


def choice() -> CauseModel:
    inputs = CHOICE["inputs"]
    tests = {name: two_outcomes(test["p_pos"]) for name, test in inputs["tests"].items()}
    minutes = {name: test["minutes"] for name, test in inputs["tests"].items()}
    repairs = [RepairAction((i,), f"Fit {c}.", inputs["repair_minutes"][c]) for i, c in enumerate(inputs["prior"])]
    return model(inputs["prior"], tests, minutes, repairs)


@pytest.mark.parametrize("attribute", ["outlook", "temperature", "humidity", "wind"])
def test_information_gain_and_gini_of_the_fourteen_days(attribute: str) -> None:
    one = tennis()
    place = [test.step for test in one.tests].index(attribute)
    bits = information_gain(one, one.prior)[place]
    expected, tolerance = DAYS["expected"], DAYS["tolerance"]
    assert bits == pytest.approx(expected["information_gain_bits"][attribute], abs=tolerance["exact"])
    assert bits == pytest.approx(expected["published_information_gain"][attribute], abs=tolerance["published"])
    assert gini_drop(one, one.prior)[place] == pytest.approx(expected["gini_gain"][attribute], abs=tolerance["exact"])
    column = DAYS["inputs"]["columns"].index(attribute)
    rows = DAYS["inputs"]["rows"]
    assert bits == pytest.approx(mutual_info_score([r[column] for r in rows], [r[-1] for r in rows]) / np.log(2))


def test_value_of_a_three_outcome_and_a_two_outcome_test() -> None:
    inputs = CAR["inputs"]
    tests = {
        test: {
            outcome: {"defect": chance["given_defect"], "sound": chance["given_no_defect"]}
            for outcome, chance in inputs[test].items()
        }
        for test in ("test1", "test2")
    }
    one = model({"defect": inputs["prior_defect"], "sound": 1 - inputs["prior_defect"]}, tests)
    bits, gini = information_gain(one, one.prior), gini_drop(one, one.prior)
    for place, name in enumerate(("test1", "test2")):
        expected = CAR["expected"][name]
        assert bits[place] == pytest.approx(expected["gain_bits"], abs=CAR["tolerance"])
        assert gini[place] == pytest.approx(expected["gini_drop"], abs=CAR["tolerance"])


def test_one_step_ahead_as_in_the_worked_example() -> None:
    found = advise(choice(), depth=1)
    assert found.without_tests == pytest.approx(CHOICE["expected"]["expected_cost_repairs_only"])
    gini = gini_drop(choice(), choice().prior)
    for option in found.tests:
        expected = CHOICE["expected"]["tests"][option.step]
        assert option.bits == pytest.approx(expected["gain_bits"], abs=CHOICE["tolerance"])
        assert option.bits / (option.minutes + option.setup) == pytest.approx(
            expected["bits_per_minute"], abs=CHOICE["tolerance"]
        )
        assert option.expected == pytest.approx(expected["expected_cost_with_test"], abs=CHOICE["tolerance"])
        assert option.saves == pytest.approx(expected["saves"], abs=1e-8)
        place = ["T1", "T2", "T3"].index(option.step)
        assert gini[place] == pytest.approx(expected["gini_drop"], abs=CHOICE["tolerance"])
    assert found.test is not None
    assert found.test.step == "T1"


def test_two_steps_ahead_never_looks_dearer_than_one() -> None:
    one = {option.step: option.expected for option in advise(choice(), depth=1).tests}
    two = {option.step: option.expected for option in advise(choice(), depth=2).tests}
    assert all(two[step] <= one[step] + 1e-9 for step in one)
    assert two["T2"] < one["T2"]


def horn_advice(*results: CaseResult, **settings: object) -> Advice:
    one = model_of(horn(), {}, as_of="2026-11", access_minutes=ACCESS)
    return advise(one, results, **settings)  # type: ignore[arg-type]


def test_a_step_waits_for_what_it_needs() -> None:
    assert {option.step for option in horn_advice().tests} == {"press", "ground", "direct"}
    after = horn_advice(result("press", "click"))
    assert {option.step for option in after.tests} == {"supply", "ground", "direct"}
    skipped = horn_advice(result("press", "", skipped="no time"))
    assert "supply" not in {option.step for option in skipped.tests}


def test_set_up_is_charged_until_it_is_reached() -> None:
    before = {option.step: option.setup for option in horn_advice(result("press", "click")).tests}
    assert before == {"supply": 12, "ground": 12, "direct": 12}
    after = horn_advice(result("press", "click"), result("ground", "good"))
    assert {option.step: option.setup for option in after.tests} == {"supply": 0, "direct": 0}
    resumed = horn_advice(result("press", "click"), result("ground", "good"), opened=frozenset())
    assert {option.setup for option in resumed.tests} == {12}


def test_never_past_a_safety_precondition() -> None:
    allowed = {("horn-silent", "press"), ("horn-silent", "ground")}
    found = horn_advice(result("press", "click"), allowed=allowed)
    assert {option.step for option in found.tests} == {"ground"}
    none = horn_advice(result("press", "click"), allowed=frozenset())
    assert none.tests == () and none.test is None
    assert none.nothing_left
    assert none.repair is not None


def test_planning_does_not_lean_on_steps_that_are_not_allowed() -> None:
    """With only press allowed, two steps ahead equals one: there is no second test to plan with."""
    allowed = {("horn-silent", "press")}
    assert horn_advice(allowed=allowed, depth=2).tests[0].expected == pytest.approx(
        horn_advice(allowed=allowed, depth=1).tests[0].expected
    )


def test_nothing_left_worth_testing_is_said() -> None:
    results = [result("press", "click"), result("supply", "full"), result("ground", "bad")]
    done = horn_advice(*results, result("direct", "silent"))
    assert done.tests == () and done.nothing_left
    assert done.repair is not None
    assert done.words.startswith("Nothing left worth testing: ")
    assert done.words.endswith(f"It cures with a probability of {done.repair.cures:.0%}.")


def test_cheap_repairs_are_fitted_and_dear_ones_tested_for() -> None:
    def chosen(price: float) -> Advice:
        chances = two_outcomes({"A": 0.95, "B": 0.05, OTHER: 0.5})
        repairs = [RepairAction((0,), "Fit A.", 2, price), RepairAction((1,), "Fit B.", 2, price)]
        return advise(model({"A": 0.55, "B": 0.4, OTHER: 0.05}, {"t": chances}, {"t": 10}, repairs))

    assert chosen(0).repair is not None and chosen(0).nothing_left
    assert chosen(200).test is not None and not chosen(200).nothing_left


def test_prove_before_you_fit_tests_on_until_a_cause_is_proven() -> None:
    chances = two_outcomes({"A": 0.95, "B": 0.05, OTHER: 0.5})
    repairs = [RepairAction((0,), "Fit A.", 2, 0), RepairAction((1,), "Fit B.", 2, 0)]
    cheap = model({"A": 0.55, "B": 0.4, OTHER: 0.05}, {"t": chances}, {"t": 10}, repairs)
    found = advise(cheap, prices=Prices(prove_first=True))
    assert found.test is not None and found.test.step == "t"
    assert found.test.saves < 0
    over = advise(cheap, [CaseResult("p", "t", "yes")], prices=Prices(prove_first=True))
    assert over.repair is not None and not over.repair.proven
    # 0.55 x 0.95 against 0.4 x 0.05 + 0.05 x 0.5
    chance = "It cures with a probability of 92%."
    assert over.words == f"Nothing left worth testing: Fit A. {chance} It has not been proven."


def test_a_named_cause_is_proven_by_measuring_and_not_by_elimination() -> None:
    rule = Prices(prove_first=True)
    measured = horn_advice(result("press", "click"), result("supply", "weak"), prices=rule)
    assert measured.repair is not None
    assert (measured.repair.causes, measured.repair.proven) == ((RELAY,), True)
    guessed = horn_advice(result("press", "click"), result("supply", "absent"), prices=rule)
    assert guessed.repair is None and guessed.test is not None


def proving(prior: dict[str, float], minutes: dict[str, float]) -> CauseModel:
    """``hint`` tells A from B well and proves nothing; ``proof`` proves A and tells a little less."""
    one = model(
        prior,
        {
            "hint": two_outcomes({"A": 0.9, "B": 0.1, OTHER: 0.5}),
            "proof": two_outcomes({"A": 0.8, "B": 0.1, OTHER: 0.1}),
        },
        minutes, [RepairAction((0,), "Fit A.", 2, 0), RepairAction((1,), "Fit B.", 2, 0)],
    )  # fmt: skip
    proof = ("p", "proof", "yes")
    named = tuple(b._replace(names="A", proof=Proof.MEASURED) if b[:3] == proof else b for b in one.branches)
    return replace(one, branches=named)


def test_a_part_that_has_to_be_proven_owes_the_test_that_proves_it() -> None:
    """Repairing now, parts may be tried: A's 2 minutes, where that does not cure (0.4) B's 2, and in a tenth of all
    jobs two hours of looking further. Where A has to be proven first, its hour of proof comes on top."""
    one = proving({"A": 0.6, "B": 0.3, OTHER: 0.1}, {"hint": 1, "proof": 60})
    free = advise(one, depth=1)
    assert free.without_tests == pytest.approx(2 + 0.4 * 2 + 0.1 * 120)
    rule = advise(one, prices=Prices(prove_first=True), depth=1)
    # B owes nothing, since nothing can prove it, and so comes first: 0.3 / 2 against 0.6 / 62.
    assert rule.without_tests == pytest.approx(2 + 0.7 * 62 + 0.1 * 120)
    proof = next(option for option in rule.tests if option.step == "proof")
    assert proof.proves == pytest.approx(0.6 * 0.8)
    paid = advise(one, [CaseResult("p", "proof", "yes")], prices=Prices(prove_first=True))
    assert paid.repair is not None and paid.repair.causes == ("A",) and paid.repair.proven


def test_a_cause_hardly_in_doubt_is_still_proven_before_its_part_is_fitted() -> None:
    sure = proving({"A": 0.9995, "B": 0.0003, OTHER: 0.0002}, {"hint": 1, "proof": 5})
    found = advise(sure, prices=Prices(prove_first=True))
    assert found.test is not None and found.test.step == "proof"
    assert found.test.bits < lookahead.NO_INFORMATION
    assert advise(sure).test is None


def test_a_repair_without_a_cure_is_not_advised_again() -> None:
    results = [result("press", "click"), result("supply", "full"), result("ground", "bad")]
    found = horn_advice(*results, not_cured=[GROUND])
    assert GROUND not in {cause for option in found.repairs for cause in option.causes if not option.looks_further}
    everything = horn_advice(*results, result("direct", "silent"), not_cured=[GROUND, HORN, RELAY])
    assert everything.repair is not None and everything.repair.looks_further
    assert everything.words == (
        "Nothing left worth testing: look further; that the cause is none of those listed has a probability of more "
        "than 99%."
    )


def test_bits_that_separate_causes_of_one_repair_are_worth_nothing() -> None:
    chances = two_outcomes({"A": 0.99, "B": 0.01, OTHER: 0.5})
    alone = model(
        {"A": 0.5, "B": 0.5, OTHER: 0.0}, {"t": chances}, {}, [RepairAction((0,), "a", 5), RepairAction((1,), "b", 5)]
    )
    same = model({"A": 0.5, "B": 0.5, OTHER: 0.0}, {"t": chances}, {}, [RepairAction((0, 1), "both", 5)])
    assert information_gain(alone, alone.prior)[0] > 0.9
    assert information_gain(same, same.prior)[0] == pytest.approx(0, abs=1e-12)
    assert advise(same).test is None


def test_words_of_a_test() -> None:
    found = horn_advice(result("press", "click"), prices=Prices(hourly_rate=10))
    option = next(option for option in found.tests if option.step == "ground")
    assert option.words == (
        f"Voltage drop of the horn ground: 2 minutes and 12 to get there. On average the vehicle is cured "
        f"{option.saves:.0f} minutes sooner than without further tests."
    )
    assert option.saves > 1
    proving = replace(option, saves=-2.0, proves=0.3)
    assert proving.words.endswith("to get there. It can prove the cause before anything is fitted.")
    telling = replace(option, saves=-2.0, proves=0.0)
    assert telling.words.endswith("to get there. It saves no time on average, but tells causes apart.")


@st.composite
def any_models(draw: st.DrawFn) -> CauseModel:
    causes = [*(f"c{i}" for i in range(draw(st.integers(1, 5)))), OTHER]
    weights = [draw(st.integers(0, 9)) for _ in causes[:-1]] + [1]
    prior = {cause: weight / sum(weights) for cause, weight in zip(causes, weights, strict=True)}
    tests = {
        f"t{i}": two_outcomes({cause: draw(st.sampled_from([0.0, 0.05, 0.4, 0.9, 1.0])) for cause in causes})
        for i in range(draw(st.integers(0, 4)))
    }
    minutes = {test: draw(st.floats(0.25, 30)) for test in tests}
    repairs = [RepairAction((i,), f"fit {i}", draw(st.floats(0, 90))) for i in range(len(causes) - 1)]
    return model(prior, tests, minutes, repairs)


@given(any_models())
@settings(max_examples=examples(80))
def test_whatever_the_figures_the_advice_is_finite_and_sound(one: CauseModel) -> None:
    found = advise(one)
    assert (found.test is None) != (found.repair is None)
    for option in found.tests:
        assert np.isfinite(option.expected) and 0 <= option.bits <= 1 + 1e-9
    for repair in found.repairs:
        assert np.isfinite(repair.expected) and 0 <= repair.cures <= 1 + 1e-9
    chosen = found.test.expected if found.test else found.repair.expected  # type: ignore[union-attr]
    assert chosen <= found.without_tests + 1e-9


def information(joint: np.ndarray) -> float:
    """Mutual information in bits from a joint table."""
    product = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(np.where(joint > 0, joint * np.log2(joint / product), 0.0).sum())


@given(any_models())
@settings(max_examples=examples(80))
def test_telling_power_is_mutual_information_with_the_repair(one: CauseModel) -> None:
    grouped = CauseModel(
        one.causes,
        one.prior,
        one.branches,
        one.table,
        one.tests,
        (RepairAction(tuple(range(len(one.causes) - 1)), "all", 1),),
    )
    for each in (one, grouped):
        joint = (each.table * each.prior) @ each.repair_matrix
        expected = [information(joint[test.start : test.stop]) for test in each.tests]
        assert information_gain(each, each.prior) == pytest.approx(expected, abs=1e-9)


def test_tests_that_pay_only_together_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two tests that tell little lead to one that tells all: two actions ahead see only the two."""
    slight, all_of_it = {"A": 0.57, "B": 0.43, OTHER: 0.5}, {"A": 1.0, "B": 0.0, OTHER: 0.5}
    tests = {"t0": two_outcomes(slight), "t1": two_outcomes(slight), "t2": two_outcomes(all_of_it)}
    repairs = [RepairAction((0,), "a", 300), RepairAction((1,), "b", 300)]
    one = model({"A": 0.5, "B": 0.49, OTHER: 0.01}, tests, dict.fromkeys(tests, 20.0), repairs)
    first, second, third = one.tests
    row = replace(one, tests=(first, replace(second, needs=("t0",)), replace(third, needs=("t1",))))
    found = advise(row)
    assert found.test is not None and found.test.step == "t0"
    assert not found.nothing_left
    monkeypatch.setattr(lookahead, "CHAIN_LENGTH", 0)
    assert advise(row).nothing_left


def test_a_test_without_bits_is_done_for_what_it_opens() -> None:
    """Before a cause is proven, a step that tells nothing itself is advised when a telling one needs it."""
    tests = {"open": two_outcomes({"A": 0.5, "B": 0.5, OTHER: 0.5}), "look": two_outcomes({"A": 1, "B": 0, OTHER: 0.5})}
    repairs = [RepairAction((0,), "a", 300), RepairAction((1,), "b", 300)]
    one = model({"A": 0.5, "B": 0.45, OTHER: 0.05}, tests, {"open": 1, "look": 2}, repairs)
    waiting = replace(one, tests=(one.tests[0], replace(one.tests[1], needs=("open",))))
    found = advise(waiting, prices=Prices(prove_first=True))
    assert found.test is not None and found.test.step == "open"
    assert found.test.bits < 0.01


def test_only_one_or_two_actions_ahead() -> None:
    with pytest.raises(ValueError) as caught:
        advise(choice(), depth=3)
    assert str(caught.value) == "One or two actions can be looked ahead; got 3."
