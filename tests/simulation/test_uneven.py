"""Short form of :mod:`tests.simulation.uneven`."""

from __future__ import annotations

from tests.simulation.uneven import KINDS, sums_of

MANY = 3
"""Place of 11 to 40 own jobs."""


def test_branches_that_differ_are_covered_and_the_others_stay_narrow() -> None:
    """One strength for all covers 0.57 to 0.69 of the branches that differ, on wider intervals."""
    found = sums_of(KINDS[0], [[6, seed] for seed in range(3)], branches=40)
    for place in (1, 2, MANY):
        ours, before = found["hierarchical", "apart", place], found["one_strength", "apart", place]
        assert ours.figures > 40 and ours.covered > 0.86 and before.covered < 0.8
        every = found["hierarchical", "all", place]
        assert 0.93 < every.covered < 0.995 and every.width < found["one_strength", "all", place].width
        assert every.error < found["one_strength", "all", place].error


def test_a_platform_worse_on_every_branch_is_believed_after_ten_jobs() -> None:
    found = sums_of(KINDS[3], [[7, seed] for seed in range(8)], branches=30)
    ours, alone = found["hierarchical", "apart", MANY], found["alone", "apart", MANY]
    assert ours.covered > 0.88 and ours.error < 1.2 * alone.error
    assert found["one_strength", "apart", MANY].covered < 0.8
