"""Several procedures on one job, against a plain enumeration of the causes and by laws."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.joined import FollowedProcedure, joined
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.flow.hand_overs import CausesBehind
from tests.core.diagnosis.flows import model, two_outcomes
from tests.examples import examples


def behind(causes: str, *procedures: str) -> CausesBehind:
    return CausesBehind(procedures, frozenset(causes), tuple(key.upper() for key in procedures))


def followed(
    key: str, prior: Mapping[str, float], yes: Mapping[str, float], *parts: CausesBehind, ahead: str = "",
    weight: float = 1.0,
) -> FollowedProcedure:  # fmt: skip
    """A procedure with one test, ``yes`` being the chances of that outcome; ``prior`` names parts by identity."""
    names = tuple(part.name if part else f"{cause}, open" for cause in prior if cause != OTHER
                  for part in [next((one for one in parts if one.identity == cause), None)])  # fmt: skip
    found = model(prior, {"t": two_outcomes(yes)}, behind=parts, names=(*names, "unknown"))
    return FollowedProcedure(key, _of(key, found), frozenset(ahead), weight)


def _of(key: str, found: CauseModel) -> CauseModel:
    return replace(
        found,
        branches=tuple(branch._replace(procedure=key) for branch in found.branches),
        tests=tuple(replace(test, procedure=key) for test in found.tests),
    )


HAND_OVER = "hand-over b"
FIRST = followed(
    "a", {"A": 0.5, "B": 0.2, HAND_OVER: 0.2, OTHER: 0.1}, {"A": 0.9, "B": 0.5, HAND_OVER: 0.1, OTHER: 0.3},
    behind("CD", "b"), ahead="b",
)  # fmt: skip
SECOND = followed("b", {"B": 0.3, "C": 0.4, "D": 0.2, OTHER: 0.1}, {"B": 0.2, "C": 0.9, "D": 0.1, OTHER: 0.5})


def probabilities(runs: list[FollowedProcedure], *results: tuple[str, str]) -> dict[str, float]:
    found = joined(runs)
    belief = posterior(found, [CaseResult(procedure, "t", outcome) for procedure, outcome in results])
    return dict(zip(found.causes, belief.tolist(), strict=True))


def test_a_hand_over_is_split_by_what_the_second_procedure_believes() -> None:
    weights = {
        "A": 0.5 * 0.1 * 0.5,  # no in a; to the test of b it is another cause
        "B": 0.2 * 0.5 * 0.2,  # a lists it, so what b believes of it at first does not count
        "C": 0.2 * 0.4 / 0.6 * 0.9 * 0.9,
        "D": 0.2 * 0.2 / 0.6 * 0.9 * 0.1,
        OTHER: 0.1 * 0.7 * 0.5,
    }
    total = sum(weights.values())
    expected = {cause: weight / total for cause, weight in weights.items()}
    assert probabilities([FIRST, SECOND], ("a", "no"), ("b", "yes")) == pytest.approx(expected, abs=1e-12)


def test_a_procedure_without_results_changes_nothing_for_the_rest() -> None:
    alone = probabilities([FIRST], ("a", "no"))
    both = probabilities([FIRST, SECOND], ("a", "no"))
    assert both["A"] == pytest.approx(alone["A"])
    assert both["C"] + both["D"] == pytest.approx(alone[HAND_OVER])
    assert both[OTHER] == pytest.approx(alone[OTHER])


def test_names_and_what_is_left_behind_hand_overs() -> None:
    third = followed(
        "b", {"C": 0.5, "hand-over e": 0.4, OTHER: 0.1}, {"C": 0.9, "hand-over e": 0.2, OTHER: 0.5}, behind("EF", "e"),
        ahead="e",
    )  # fmt: skip
    first = followed(
        "a", {"A": 0.5, HAND_OVER: 0.4, OTHER: 0.1}, {"A": 0.9, HAND_OVER: 0.1, OTHER: 0.3}, behind("CEF", "b"),
        ahead="be",
    )  # fmt: skip
    found = joined([third, first])
    assert found.causes == ("A", "C", "hand-over b e", OTHER)
    assert found.name("hand-over b e") == (
        "a cause for \N{LEFT DOUBLE QUOTATION MARK}B\N{RIGHT DOUBLE QUOTATION MARK} or another procedure"
    )
    assert found.name(OTHER) == "a cause that none of the procedures followed knows"
    assert found.prior == pytest.approx([0.5, 0.4 * 0.5 / 0.9, 0.4 * 0.4 / 0.9, 0.1])
    row = found.row_of["a", "t", "yes"]
    assert found.table[row] == pytest.approx([0.9, 0.1, 0.1, 0.3])
    assert found.table[found.row_of["b", "t", "yes"]] == pytest.approx([0.5, 0.9, 0.2, 0.5])


def test_a_procedure_further_behind_tells_its_own_causes_apart() -> None:
    """The procedure between the two was not followed: each cause behind the hand-over counts the same but for those
    that the further one lists."""
    first = followed(
        "a", {"A": 0.6, HAND_OVER: 0.3, OTHER: 0.1}, {"A": 0.9, HAND_OVER: 0.1, OTHER: 0.3}, behind("CEF", "b"),
        ahead="be",
    )  # fmt: skip
    further = followed("e", {"E": 0.6, "F": 0.2, OTHER: 0.2}, {"E": 0.9, "F": 0.1, OTHER: 0.5})
    found = joined([first, further])
    assert dict(zip(found.causes, found.prior, strict=True)) == pytest.approx(
        {"A": 0.6, "E": 0.3 * 2 / 3 * 0.75, "F": 0.3 * 2 / 3 * 0.25, HAND_OVER: 0.1, OTHER: 0.1}
    )


def test_procedures_apart_start_by_their_weights() -> None:
    one = followed("a", {"A": 0.9, OTHER: 0.1}, {"A": 0.9, OTHER: 0.5}, weight=3)
    two = followed("b", {"A": 0.4, "B": 0.5, OTHER: 0.1}, {"A": 0.5, "B": 0.9, OTHER: 0.5})
    assert probabilities([one, two]) == pytest.approx({"A": 0.75 * 0.9 + 0.25 * 0.4, "B": 0.125, OTHER: 0.1})


def test_two_that_hand_over_to_each_other() -> None:
    one = followed(
        "a", {"A": 0.6, HAND_OVER: 0.3, OTHER: 0.1}, {"A": 0.9, HAND_OVER: 0.2, OTHER: 0.5}, behind("B", "b"),
        ahead="ab",
    )  # fmt: skip
    two = followed(
        "b", {"B": 0.8, "hand-over a": 0.1, OTHER: 0.1}, {"B": 0.9, "hand-over a": 0.2, OTHER: 0.5}, behind("A", "a"),
        ahead="ab",
    )  # fmt: skip
    assert probabilities([one, two]) == pytest.approx({"A": (0.6 + 0.1) / 2, "B": (0.3 + 0.8) / 2, OTHER: 0.1})


def test_a_procedure_twice_and_none_are_refused_in_words() -> None:
    with pytest.raises(ValueError) as twice:
        joined([FIRST, FIRST])
    assert str(twice.value) == "A procedure was given twice; give each procedure once, with all its results."
    with pytest.raises(ValueError) as nothing:
        joined([])
    assert str(nothing.value) == "At least one procedure must have been followed."


CHANCE = st.floats(0.01, 1)


@given(
    weights=st.lists(CHANCE, min_size=24, max_size=24),
    outcomes=st.lists(st.sampled_from(["yes", "no"]), min_size=3, max_size=3),
)
@settings(max_examples=examples(60))
def test_the_order_in_which_procedures_were_followed_does_not_matter(weights: list[float], outcomes: list[str]) -> None:
    """Three procedures, two behind the first and one of them behind the other; results in any order."""
    draws = iter(weights)

    def spread(*causes: str) -> dict[str, float]:
        parts = np.array([next(draws) for _ in causes])
        return dict(zip(causes, (parts / parts.sum()).tolist(), strict=True))

    def one(key: str, causes: tuple[str, ...], *parts: CausesBehind, ahead: str = "") -> FollowedProcedure:
        columns = (*causes, *(part.identity for part in parts), OTHER)
        return followed(key, spread(*columns), {cause: next(draws) for cause in columns}, *parts, ahead=ahead)

    runs = [
        one("a", ("A",), behind("BX", "b"), behind("C", "b", "c"), ahead="bc"),
        one("b", ("B",), behind("C", "c"), ahead="c"),
        one("c", ("C", "A")),
    ]
    results = [CaseResult(key, "t", outcome) for key, outcome in zip("abc", outcomes, strict=True)]
    beliefs = []
    for order in permutations(range(3)):
        found = joined([runs[place] for place in order])
        belief = posterior(found, [results[place] for place in order])
        assert found.prior.sum() == pytest.approx(1)
        beliefs.append(dict(zip(found.causes, belief.tolist(), strict=True)))
    for belief in beliefs[1:]:
        assert belief == pytest.approx(beliefs[0], abs=1e-12)
