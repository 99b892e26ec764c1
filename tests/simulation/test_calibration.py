"""Short form of :mod:`tests.simulation.calibration`: 900 jobs."""

from __future__ import annotations

import numpy as np
import pytest

from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.counting.flow_counts import count
from shopkb.core.diagnosis.counting.tallies import contributions, merge
from shopkb.core.diagnosis.scores.forecast_scores import all_pairs, reliability
from shopkb.core.diagnosis.scores.forecasting import forecasts
from tests.core.diagnosis.flows import GROUND, horn
from tests.simulation.calibration import TRUTH, shop
from tests.simulation.yardsticks import brier_where_named, losses, named_ends


def test_probabilities_come_true_as_often_as_they_say() -> None:
    cases = shop(np.random.default_rng(4), 900, horn())
    found = forecasts(horn(), cases)
    loss, loss_at_first = losses(found)
    assert loss < 0.75 * loss_at_first
    where_named, ends = brier_where_named(found, named_ends(horn(), cases))
    assert where_named < ends
    for one in reliability(*all_pairs(found)):
        assert one.mean is not None and one.share is not None
        assert one.n < 20 or one.verdict == "as said" or abs(one.mean - one.share) < 0.08


def test_the_truth_is_learned() -> None:
    """2 000 jobs: the likelihoods of a step on the way, learned only from jobs that the flow led there."""
    cases = shop(np.random.default_rng(6), 2000, horn(), verified=(0.8, 0.8))
    counts = count(horn(), merge(contributions(case) for case in cases), as_of="2025-12", half_life=None)
    model = learn(counts)
    rows = [model.row_of["horn-silent", "ground", outcome] for outcome in ("good", "bad")]
    assert model.table[rows, model.column_of[GROUND]] == pytest.approx(TRUTH["ground"][GROUND], abs=0.05)
