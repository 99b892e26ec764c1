"""Short form of :mod:`tests.simulation.smoothing`: one shop."""

from __future__ import annotations

from shopkb.core.diagnosis.belief.likelihoods import SMOOTHING
from tests.shelf import SHELF
from tests.simulation.smoothing import losses


def test_the_writers_word_counts_for_enough_jobs() -> None:
    """A quarter of it forecasts worse."""
    found = losses(SHELF["relay-and-control"], [1, 200, 7], 120, (0.01, 0.12), (SMOOTHING / 4, SMOOTHING))
    assert found[SMOOTHING] < found[SMOOTHING / 4]
