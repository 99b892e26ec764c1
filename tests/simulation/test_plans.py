"""Short form of :mod:`tests.simulation.plans`: the advice against the exact best plan."""

from __future__ import annotations

import pytest

from tests.simulation.plans import ratios


@pytest.mark.parametrize("dear", [1.0, 10.0], ids=["cheap repairs", "dear repairs"])
def test_two_steps_ahead_is_within_one_percent_of_the_best_plan(dear: float) -> None:
    found = ratios(20, 7, dear=dear, causes=4, tests=4)
    assert all(values.min() > 1 - 1e-9 for values in found.values())
    assert found["two ahead"].mean() < 1.01
    assert found["one ahead"].mean() < 1.05
    assert found["repairs only"].mean() > 1.05
