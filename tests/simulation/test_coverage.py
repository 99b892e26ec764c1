"""Short form of :mod:`tests.simulation.coverage`."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulation.coverage import covering


@pytest.mark.parametrize("kappas", [(12.0, 20.0, 30.0), (2.0, 3.0, 4.0), (5.0, 60.0, 60.0)])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_pooled_intervals_cover_about_as_often_as_they_say(kappas: tuple[float, ...], level: float) -> None:
    """Within 6 points below for platforms with few jobs; and with less error and width than each platform alone."""
    _, found = covering(np.random.default_rng(1), kappas, branches=60, level=level)
    few = found[1]
    assert few.platforms > 500
    assert few.covered > level - 0.06
    assert few.error < few.alone_error
    assert few.width < few.alone_width
