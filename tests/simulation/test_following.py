"""Short form of :mod:`tests.simulation.following`: one shipped procedure, few truths."""

from __future__ import annotations

import pytest

from tests.shelf import SHELF
from tests.simulation.following import HABITS, found_in

EXTREMES = (next(iter(HABITS)), next(reversed(HABITS)))
"""Advice followed as seldom and as often as it can be; what lies between is in the long form's table."""


@pytest.mark.parametrize("habit", EXTREMES)
def test_success_is_true_however_much_advice_was_followed(habit: str) -> None:
    """Three truths of 900 jobs each, about 110 figures: with 95 % of them right, fewer than 88 % come once in 1,000
    times. As if every result had been got on the written way a fifth and more of the figures were not true."""
    shops = [found_in(SHELF["relay-and-control"], [11, seed], habit, 900) for seed in range(3)]
    told, before = [one for one, _ in shops], [other for _, other in shops]
    assert sum(one.branches for one in told) > 80
    assert sum(one.covered for one in told) > 0.88 * sum(one.branches for one in told)
    assert abs(sum(one.bias for one in told) / len(told)) < 0.03
    assert sum(one.covered for one in before) < 0.85 * sum(one.branches for one in before)
