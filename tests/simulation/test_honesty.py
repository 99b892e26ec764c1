"""Short form of :mod:`tests.simulation.honesty`: one shop of each of two kinds."""

from __future__ import annotations

import pytest

from shopkb.core.diagnosis.scores.forecast_scores import all_pairs
from tests.simulation.honesty import KINDS, beaten, expected_calibration_error, of_the_likeliest, shop


@pytest.mark.parametrize("kind", [KINDS[0], KINDS[5]], ids=lambda kind: kind.name)
def test_probabilities_are_calibrated_and_better_than_what_they_must_beat(kind: object) -> None:
    """Within 0.03 over all pairs, 0.05 over the likeliest cause alone; Brier better from 50 verified jobs on than the
    belief before any result, and from 200 on than the end that the flow itself names: where technicians are careful
    that end is hard to beat before."""
    every, named_by_job = shop(kind, 3, 1400)  # type: ignore[arg-type]
    found = every[:1000]
    assert len(found) > 800
    assert expected_calibration_error(*all_pairs(found)) < 0.03
    assert expected_calibration_error(*of_the_likeliest(found)) < 0.05
    for low, high in ((50, 200), (200, 500), (500, 1000)):
        ours, first, named, end = beaten(found[low:high], named_by_job)
        assert ours < first
        assert named < (end if low >= 200 else 1.05 * end)
