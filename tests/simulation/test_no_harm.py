"""Short form of :mod:`tests.simulation.no_harm`: four procedures, whose order is good as it stands."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulation.no_harm import saved

GOOD_ORDER = ("relay-and-control", "high-voltage-vehicle", "voltage-drop-method", "headlamp-dim-one-side")


@pytest.mark.parametrize("procedure", GOOD_ORDER)
def test_suggestions_cost_nothing_before_there_are_jobs(procedure: str) -> None:
    """Never more than 1 % worse than the written order, in any truth."""
    assert min(saved(procedure, 0, truth) for truth in range(3)) > -0.01


@pytest.mark.parametrize("procedure", GOOD_ORDER)
def test_nor_when_there_are_few(procedure: str) -> None:
    """In expectation over truths; thirty faults a truth scatter by about 2 %."""
    assert np.mean([saved(procedure, 100, truth) for truth in range(3)]) > -0.01
