"""How far is looked: rows of tests that wait for each other, proofs that are still owed, proofs that were wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shopkb.core.diagnosis.advice import lookahead
from shopkb.core.diagnosis.advice.next_action import advise
from shopkb.core.diagnosis.advice.repairs import Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel, RepairAction
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.flow.model import Proof
from tests.core.diagnosis.flows import model, two_outcomes

PROVE = Prices(prove_first=True)
PRIOR = {"A": 0.5, "B": 0.46, OTHER: 0.04}


def proving(tests: dict[str, dict[str, float]], named: dict[str, str], minutes: dict[str, float]) -> CauseModel:
    """A and B, each with a dear repair; the *yes* of a test proves the cause that ``named`` says."""
    repairs = [RepairAction((0,), "Fit A.", 60), RepairAction((1,), "Fit B.", 300)]
    one = model(PRIOR, {name: two_outcomes(yes) for name, yes in tests.items()}, minutes, repairs)
    branches = tuple(
        branch._replace(names=named[branch.step], proof=Proof.MEASURED)
        if branch.outcome == "yes" and branch.step in named
        else branch
        for branch in one.branches
    )
    return replace(one, branches=branches)


def after_a_wrong_proof() -> CauseModel:
    """``slip`` names B and hardly ever does so rightly; ``sure`` tells A from B and proves A."""
    return proving(
        {"slip": {"A": 0.5, "B": 0.02, OTHER: 0.5}, "sure": {"A": 0.98, "B": 0.02, OTHER: 0.5}},
        {"slip": "B", "sure": "A"}, {"slip": 1, "sure": 40},
    )  # fmt: skip


def test_a_proof_that_is_hardly_believed_does_not_stop_the_tests() -> None:
    """B is proven and yet as good as ruled out: its 300 minutes are not advised while a test can prove A."""
    found = advise(after_a_wrong_proof(), [CaseResult("p", "slip", "yes")], prices=PROVE)
    (proven,) = [repair for repair in found.repairs if repair.proven]
    assert proven.causes == ("B",) and proven.cures < 0.05
    assert found.test is not None and found.test.step == "sure"
    assert found.test.saves < 1e-6


def test_nor_does_it_come_before_a_likely_repair_once_nothing_is_left_to_test() -> None:
    results = [CaseResult("p", "slip", "yes"), CaseResult("p", "sure", "no")]
    one = proving(
        {"slip": {"A": 0.5, "B": 0.02, OTHER: 0.5}, "sure": {"A": 0.5, "B": 0.5, OTHER: 0.5}}, {"slip": "B"},
        {"slip": 1, "sure": 40},
    )  # fmt: skip
    found = advise(one, results, prices=PROVE)
    assert found.repair is not None and found.repair.causes == ("A",)
    assert found.words.endswith("It has not been proven.")


def test_a_proven_repair_that_did_not_cure_does_not_prove_that_one_must_look_further() -> None:
    """What was proven and repaired in vain leaves the tests that are still to be done."""
    found = advise(after_a_wrong_proof(), [CaseResult("p", "slip", "yes")], ["B"], prices=PROVE)
    assert not any(repair.proven for repair in found.repairs)
    assert found.test is not None and found.test.step == "sure"


def row(tells: float) -> CauseModel:
    """``open`` and ``reach`` tell nothing and lead to ``look``; ``guess`` may come at once, is dear, and tells some."""
    nothing = {"A": 0.5, "B": 0.5, OTHER: 0.5}
    one = proving(
        {"open": nothing, "reach": nothing, "look": {"A": 1 - tells, "B": tells, OTHER: 0.5},
         "guess": {"A": 0.8, "B": 0.2, OTHER: 0.5}},
        {}, {"open": 2, "reach": 2, "look": 2, "guess": 60},
    )  # fmt: skip
    first, second, third, guess = one.tests
    return replace(one, tests=(first, replace(second, needs=("open",)), replace(third, needs=("reach",)), guess))


@pytest.mark.parametrize("prices", [PROVE, Prices()], ids=["proven first", "tried"])
def test_the_first_step_of_a_telling_row_comes_before_a_dear_test(
    prices: Prices, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = advise(row(0.02), prices=prices)
    assert found.test is not None and found.test.step == "open"
    assert found.test.expected < 2 + 2 + 2 + 60 + 0.5 * 300 + 0.04 * 120 + 0.06 * 60
    monkeypatch.setattr(lookahead, "CHAIN_LENGTH", 0)
    near = advise(row(0.02), prices=prices)
    assert near.test is None or near.test.step == "guess"


def test_a_repair_owes_all_that_its_proof_waits_for() -> None:
    """A can be proven by ``look`` alone, which waits for two steps of two minutes and takes two itself."""
    one = row(0.02)
    named = tuple(b._replace(names="A", proof=Proof.MEASURED) if b[1:3] == ("look", "yes") else b for b in one.branches)
    at = lookahead.Lookahead.of(replace(one, branches=named), (), (), PROVE, None, None)
    assert at.current.owed == pytest.approx(np.array([[6.0, 0.0, 0.0]]))
    begun = lookahead.Lookahead.of(
        replace(one, branches=named), [CaseResult("p", "open", "yes")], (), PROVE, None, None
    )
    assert begun.current.owed == pytest.approx(np.array([[4.0, 0.0, 0.0]]))
    barred = lookahead.Lookahead.of(replace(one, branches=named), (), (), PROVE, [("p", "open"), ("p", "look")], None)
    assert not barred.current.owed.any()


def test_ways_of_very_many_tests_are_looked_at_one_by_one() -> None:
    """More steps than fit one number: the same advice."""
    many = {f"t{n}": {"A": 0.9, "B": 0.1, OTHER: 0.5} for n in range(70)}
    one = proving(many, {"t0": "A"}, dict.fromkeys(many, 5.0))
    found = advise(one, prices=PROVE)
    assert found.test is not None and found.test.step == "t0"
