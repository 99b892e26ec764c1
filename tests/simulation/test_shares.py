"""Short form of :mod:`tests.simulation.shares`."""

from __future__ import annotations

import pytest

from tests.simulation.shares import JOBS, SCATTERS, WAYS, means


@pytest.mark.parametrize("scatter", SCATTERS)
def test_shares_are_never_further_from_the_truth_than_own_jobs_alone(scatter: tuple[float, ...]) -> None:
    """With no jobs or few they are much nearer; from 100 on as near, where strengths of branches were further away."""
    found = means(scatter, seeds=6, first=100)
    ours, before, alone = ({n: found[way, n] for n in JOBS} for way in WAYS)
    assert all(ours[n] <= alone[n] + 0.002 for n in JOBS)
    assert ours[10] < 0.95 * alone[10]
    if min(scatter) == 6.0:
        assert before[100] > 1.1 * alone[100] and ours[100] < 0.9 * before[100]
