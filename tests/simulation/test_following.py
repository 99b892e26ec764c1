"""Short form of :mod:`tests.simulation.following`: one shipped procedure, few truths."""

from __future__ import annotations

import pytest

from tests.shelf import SHELF
from tests.simulation.following import HABITS, found_in


@pytest.mark.parametrize("habit", HABITS)
def test_success_is_true_however_much_advice_was_followed(habit: str) -> None:
    """Four truths of 900 jobs each, about 100 figures: with 95 % of them right, fewer than 88 % come once in 1,000
    times. As if every result had been got on the written way only half of the figures were true."""
    shops = [found_in(SHELF["relay-and-control"], [11, seed], habit, 900) for seed in range(4)]
    told, before = [one for one, _ in shops], [other for _, other in shops]
    assert sum(one.branches for one in told) > 80
    assert sum(one.covered for one in told) > 0.88 * sum(one.branches for one in told)
    assert abs(sum(one.bias for one in told) / len(told)) < 0.03
    assert sum(one.covered for one in before) < 0.8 * sum(one.branches for one in before)
