"""Short form of :mod:`tests.simulation.verified`."""

from __future__ import annotations

import pytest

from tests.shelf import SHELF
from tests.simulation.verified import REGIMES, Regime, found_in


@pytest.mark.parametrize("regime", [REGIMES[3], REGIMES[5]], ids=lambda regime: regime.name)
def test_the_correction_never_harms(regime: Regime) -> None:
    """Shares of causes are off by no more than 0.005 more than without it, and branches that are right least are told
    no further from the truth."""
    found = [found_in(SHELF["relay-and-control"], [37, seed], regime, 600) for seed in range(2)]
    assert sum(one.shares for one in found) <= sum(one.shares_raw for one in found) + 0.01
    raw, corrected = (abs(sum(getattr(one, name) for one in found)) for name in ("raw", "corrected"))
    assert corrected <= raw + 0.01 * sum(one.branches for one in found)
