"""Short form of :mod:`tests.simulation.changes`."""

from __future__ import annotations

import numpy as np

from tests.simulation.changes import readings_told, told_rates


def test_changes_are_told_where_there_are_any() -> None:
    rng = np.random.default_rng(5)
    stayed, fell = told_rates(rng, 20, 100, 0.9, 0.5, tries=300)
    assert stayed < 0.03 and fell > 0.75
    assert readings_told(rng, 20, 100, 0.0, tries=200) < 0.03
    assert readings_told(rng, 20, 100, 1.0, tries=200) > 0.6
