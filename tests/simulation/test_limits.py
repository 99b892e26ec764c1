"""Short form of :mod:`tests.simulation.limits`."""

from __future__ import annotations

from tests.simulation.limits import SHAPES, tried


def test_limits_that_are_right_are_left_alone() -> None:
    """Proposed with 95 % certainty, and only where three answers more would be right: in 80 shops once at most."""
    told = [one for shape in SHAPES for one in tried(shape, 0.0, 200, 20, 7)]
    assert sum(one is not None for one in told) <= 1


def test_limits_that_are_off_are_found_and_what_is_proposed_is_better() -> None:
    told = [one for shape in SHAPES for one in tried(shape, 1.0, 300, 10, 8)]
    found = [one for one in told if one is not None]
    assert len(found) >= len(told) / 2
    assert sum(after > before for before, after in found) <= 1
    assert sum(before - after for before, after in found) / len(found) > 0.03
