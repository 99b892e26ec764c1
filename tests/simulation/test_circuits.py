"""Short form of :mod:`tests.simulation.circuits`: two shops with the fan's circuit."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulation.circuits import compared


@pytest.mark.parametrize("off_by", [0.0, 0.3])
def test_a_circuit_forecasts_better_from_the_first_job_on_and_does_no_lasting_harm(off_by: float) -> None:
    scores = np.mean(
        [compared("overheats-fan-silent", seed, off_by, jobs=(0, 100), fresh=250) for seed in (0, 1)], axis=0
    )
    (without_any, with_it_at_once), (without_later, with_it_later) = scores
    assert with_it_at_once < without_any
    assert with_it_at_once < without_later  # a hundred jobs do not teach what the circuit says at once
    assert with_it_later < without_later + 0.002
