"""Published figures that no other file asserts: an eight-node network whose states are the causes of a model (S.
Lauritzen and D. Spiegelhalter 1988), and entropy and the Huffman length as bounds on tests (T. Cover and J. Thomas;
T. Cormen and others; K. Pattipati and M. Alexandridis 1990). The sources stand in the file of examples."""

from __future__ import annotations

import heapq
from itertools import product

import numpy as np
import pytest

from shopkb.core.diagnosis.advice.next_action import advise
from shopkb.core.diagnosis.advice.repairs import Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel, RepairAction
from shopkb.core.diagnosis.belief.information import information_gain
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from tests.core.diagnosis.flows import model, two_outcomes
from tests.core.diagnosis.published import example

CLINIC = example("chest-clinic-posteriors")
BOUNDS = example("entropy-and-huffman-bounds")
HIDDEN = ("asia", "smoke", "tub", "lung", "bronc")


def clinic() -> tuple[CauseModel, dict[str, np.ndarray]]:
    """Every state of the five hidden nodes as one cause, the nodes that follow from them as tests; and by node the
    chance of *yes* in each state."""
    chance = CLINIC["inputs"]["p_yes"]
    prior: dict[str, float] = {}
    yes: dict[str, dict[str, float]] = {node: {} for node in (*HIDDEN, "either", "xray", "dysp")}
    for state in product(("yes", "no"), repeat=5):
        asia, smoke, tub, lung, bronc = state
        given = (chance["asia"], chance["smoke"], chance["tub"][f"asia={asia}"], chance["lung"][f"smoke={smoke}"],
                 chance["bronc"][f"smoke={smoke}"])  # fmt: skip
        name = "/".join(state)
        prior[name] = float(np.prod([p if is_so == "yes" else 1 - p for p, is_so in zip(given, state, strict=True)]))
        either = "yes" if "yes" in (tub, lung) else "no"
        for node, is_so in zip((*HIDDEN, "either"), (*state, either), strict=True):
            yes[node][name] = float(is_so == "yes")
        yes["xray"][name] = chance["xray"][f"either={either}"]
        yes["dysp"][name] = chance["dysp"][f"either={either},bronc={bronc}"]
    one = model(prior, {node: two_outcomes(chances) for node, chances in yes.items()})
    return one, {node: np.array(list(chances.values())) for node, chances in yes.items()}


@pytest.mark.parametrize("case", CLINIC["expected"]["cases"], ids=lambda case: "+".join(case["evidence"]) or "nothing")
def test_a_network_of_eight_nodes_is_summed_over_its_states(case: dict[str, dict[str, float]]) -> None:
    one, yes = clinic()
    seen = [CaseResult("p", node, "yes" if is_so else "no") for node, is_so in case["evidence"].items()]
    found = posterior(one, seen)
    for node, expected in case["posterior_yes"].items():
        assert float(yes[node] @ found) == pytest.approx(expected, abs=1e-9), node


def huffman(weights: list[float]) -> float:
    """Mean length of the best prefix code (D. Huffman 1952)."""
    heap, total = sorted(weights), 0.0
    while len(heap) > 1:
        both = heapq.heappop(heap) + heapq.heappop(heap)
        total += both
        heapq.heappush(heap, both)
    return total


@pytest.mark.parametrize("name", ["horses", "letters_percent"])
def test_entropy_and_huffman_length_bound_what_tests_must_tell(name: str) -> None:
    weights = np.array(BOUNDS["inputs"][name], dtype=float)
    prior = {f"c{place}": weight for place, weight in enumerate((weights / weights.sum()).tolist())}
    expected = BOUNDS["expected"][name.removesuffix("_percent")]
    all_of_it = {f"o{place}": {cause: float(cause == f"c{place}") for cause in prior} for place in range(len(prior))}
    entropy = float(information_gain(one := model(prior, {"t": all_of_it}), one.prior)[0])
    assert entropy == pytest.approx(expected["entropy_bits"], abs=BOUNDS["tolerance"])
    assert huffman(list(prior.values())) == pytest.approx(expected["huffman_mean_length"], abs=BOUNDS["tolerance"])
    assert cost_of_advice(prior) >= huffman(list(prior.values())) - 1e-9 >= entropy - 1e-9


def cost_of_advice(prior: dict[str, float]) -> float:
    """Mean number of tests when the advice is followed: every way to halve the causes is one minute and never errs,
    and no repair may be tried in vain, for it costs a year."""
    causes = list(prior)
    halves = {
        f"t{number}": two_outcomes({cause: float(number >> place & 1) for place, cause in enumerate(causes)})
        for number in range(1, 2 ** (len(causes) - 1))
    } if len(causes) < 7 else {
        f"t{place}": two_outcomes({one: float(one == cause) for one in causes}) for place, cause in enumerate(causes)
    }  # fmt: skip
    one = model(prior, halves, {}, [RepairAction((place,), cause, 5e5) for place, cause in enumerate(causes)])

    def minutes(results: list[CaseResult], weight: float) -> float:
        found = advise(one, results, prices=Prices(look_further=1e7)).test
        if found is None:
            return 0.0
        rows = {row[2]: one.table[place] for place, row in enumerate(one.branches) if row[1] == found.step}
        now = posterior(one, results)
        later = [(outcome, float(row @ now)) for outcome, row in rows.items()]
        return weight + sum(
            minutes([*results, CaseResult("p", found.step, outcome)], weight * p) for outcome, p in later if p > 1e-6
        )

    return minutes([], 1.0)
